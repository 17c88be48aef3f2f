package remote

// Reasons lists the reasons of State.Refused.
func Reasons() []string {
	return []string{ReasonOutOfOrder, ReasonDuplicate, ReasonTooOld, ReasonTooLarge, ReasonOther}
}
