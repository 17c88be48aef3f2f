package store

// A forecast column (encoding 6, FORMAT.md) is coded in two steps: a forecaster
// says, in 256ths of a count, where the next value should lie, and an entropy
// coder with tables made for this column codes how far off it was. White noise
// then costs little more than its entropy.

const (
	// fractionBits: forecasts are in 256ths of a count, since it matters for
	// small noise where between two counts the mean lies.
	fractionBits = 8
	half         = 1 << (fractionBits - 1)
	// maxWindow is the longest memory of a forecaster, in values.
	maxWindow = 1 << 7
	// gainBits: gains are in 65536ths.
	gainBits = 16
)

// gains are what share of an error moves the level and the slope, by the
// number of values n that the forecaster has seen. A level of n values is their
// mean; a line of n values is their least-squares line, told value by value.
type gains struct {
	level, slope [2 * maxWindow]int64 // to maxWindow
}

// follow moves a forecast by the error of its nth value.
func (g *gains) follow(at, slope, off int64, n int) (int64, int64) {
	slope += off * g.slope[n&(2*maxWindow-1)] >> gainBits
	return at + off*g.level[n&(2*maxWindow-1)]>>gainBits + slope, slope
}

// gainTables are the gains of levels and of lines. Read only.
var gainTables = makeGains()

func makeGains() (g [2]gains) {
	for n := int64(1); n <= maxWindow; n++ {
		g[0].level[n] = 1 << gainBits / n
		g[1].level[n] = (2 * (2*n - 1) << gainBits) / (n * (n + 1))
		if n > 1 { // one value has no slope
			g[1].slope[n] = (6 << gainBits) / (n * (n + 1))
		}
	}
	return g
}

// forecaster is what a forecast column says of how to forecast.
type forecaster struct {
	line   bool  // level and slope, else a level alone
	window uint8 // log2 of the memory in values, 0 to 7
	reset  int64 // an error above this many counts begins anew; 0: none does
}

func (f *forecaster) gains() *gains {
	if f.line {
		return &gainTables[1]
	}
	return &gainTables[0]
}

// forecast is a forecaster at work.
type forecast struct {
	at    int64 // the next value's forecast, in 256ths
	slope int64 // what it rises from value to value
	n     int   // values seen since it began, up to the window
}

func begin(first int64) forecast { return forecast{at: first << fractionBits, n: 1} }

// next takes the value that came. All arithmetic wraps.
func (f *forecast) next(by *forecaster, g *gains, value int64) {
	off := value<<fractionBits - f.at
	if limit := by.reset << fractionBits; limit > 0 && (off > limit || off < -limit) {
		f.n = 1
	} else {
		f.n = min(f.n+1, 1<<by.window)
	}
	f.at, f.slope = g.follow(f.at, f.slope, off, f.n)
}

// place splits a forecast into the count at or below it, whether it is nearer
// to the count above, and which of 1<<contextBits distances from the nearer one
// it has. With one table only the nearest count matters.
func place(at int64, contextBits uint8) (base, mirror int64, context uint32) {
	if contextBits == 0 {
		return (at + half) >> fractionBits, 0, 0
	}
	fraction := at & (1<<fractionBits - 1)
	mirror = fraction >> (fractionBits - 1)
	fraction ^= -mirror & (1<<fractionBits - 1)
	return at >> fractionBits, mirror, uint32(fraction >> (fractionBits - 1 - contextBits))
}

// residual is how far a value lies from the forecast, counted from the count
// below it upwards or, if the one above is nearer, from that downwards, so that
// the tables need to be told of one side only.
func residual(base, mirror, value int64) int64 {
	if mirror != 0 {
		return base + 1 - value
	}
	return value - base
}

// unresidual undoes residual.
func unresidual(base, mirror, residual int64) int64 {
	return base + 2*mirror + (residual ^ -mirror)
}
