package hookup

// Cautions, said where they are met.
const (
	cautionStandby = "A machine on standby starts without warning: keep clear of belts, fans and couplings."
	cautionBleed   = "Bleed the sump before anything is opened: oil and air are hot and under pressure, stopped too."
	cautionCT      = "Never open the secondary of a current transformer while its conductor carries current: short it first, " +
		"or take the conductor out of load."
	cautionLicence = "Work inside a starter, a drive or a meter cabinet is for licensed people, under your local codes, with the mains locked out."
)

func instruction(s Step) string {
	switch s {
	case Stopped:
		return "Stop the machine and let it stand. If production does not allow it, leave this step out."
	case Unloaded:
		return "Let the machine run unloaded: shut its outlet valve a little or wait for cut-out. Its sump takes a minute to blow down."
	case Loaded:
		return "Let the machine run loaded: open air somewhere, or wait for cut-in."
	}
	return "Let the machine run unloaded once more."
}

func doing(s Step) string {
	switch s {
	case Stopped:
		return "stopped"
	case Loaded:
		return "running loaded"
	}
	return "running unloaded"
}

func cautions(s Step) []string {
	if s == Stopped {
		return []string{cautionStandby, cautionBleed, cautionCT, cautionLicence}
	}
	return []string{cautionStandby}
}

const mendCT = " " + cautionCT + " " + cautionLicence
