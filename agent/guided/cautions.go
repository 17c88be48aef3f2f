package guided

// cautions are what a person must have read, and confirm, before a test begins.
// They hold no plant's rules: those of the place come first.
var (
	always = []string{
		"The machine starts, loads and stops by itself at any moment, also while it seems to rest. Keep hands, hair and sleeves away.",
		"Oil, air end, coolers and pipes are hot enough to burn. Wear hearing protection beside a running machine.",
		"Never touch, block or set a safety valve, and never let the pressure rise above what is stated on the vessel.",
		"Open no part under pressure. Where a guard or a panel must come off, the rules for lock-out come first.",
		"Codes and rules of the place hold over this text; what they reserve for licensed people is theirs to do and to decide.",
	}
	forLeak = []string{
		"Nobody may use air while it lasts: ask all who could, and say when it is over. What starts by itself (a dryer's purge, timed drains, a night machine) counts as leak unless it is shut off.",
	}
	forPumpUp = []string{
		"Shutting the plant valve takes away the users' air: clamps, brakes, doors and breathing air among it. Tell everybody first, and have somebody stand by to open it again.",
		"Whatever tells the machine to unload (its own gauge, a master controller's) and a safety valve must sit on the machine's side of the valve that you shut. If one sits behind it, do not do this test: the pressure would rise unseen.",
		"Let pressure down through the receiver's drain or the plant valve alone, slowly; away from faces, with eyes protected.",
		"Leave the machine's own settings alone: it loads and unloads as ever. If it does not unload at its usual pressure, stop it at once, then open the valve slowly.",
	}
)

// Cautions are those of a test. The caller must not change them.
func Cautions(test string) []string {
	if test == Leak {
		return append(append([]string{}, forLeak...), always...)
	}
	return append(append([]string{}, forPumpUp...), always...)
}
