package simulator

import "math"

// random is a splitmix64 generator (Steele, Lea and Flood 2014; from memory).
// Its own code, so that a seed means the same in every Go release.
type random struct{ state uint64 }

// newRandom makes an independent stream for each (seed, stream).
func newRandom(seed, stream uint64) random {
	return random{state: mix(seed ^ mix(stream+0x632be59bd9b4e019))}
}

func (r *random) next() uint64 {
	r.state += 0x9e3779b97f4a7c15
	return mix(r.state)
}

// mix is the output function of splitmix64, a good 64-bit hash of z.
func mix(z uint64) uint64 {
	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9
	z = (z ^ (z >> 27)) * 0x94d049bb133111eb
	return z ^ (z >> 31)
}

// float returns a number in [0, 1).
func (r *random) float() float64 { return unit(r.next()) }

func unit(bits uint64) float64 { return float64(bits>>11) / (1 << 53) }

// exponential returns a number with mean 1, at most 36.7.
func (r *random) exponential() float64 { return -math.Log(1 - r.float()) }

// normal returns a number with mean 0 and standard deviation 1.
func (r *random) normal() float64 { return normalOf(r.next(), r.next()) }

// normalOf is the Box-Muller transform of two random words.
func normalOf(a, b uint64) float64 {
	return math.Sqrt(-2*math.Log(1-unit(a))) * math.Cos(2*math.Pi*unit(b))
}

// noise is a normal number that depends only on its arguments: a register read
// twice shows the same value, and reading one never changes another.
func noise(seed uint64, channel int, tick int64) float64 {
	a := mix(seed ^ mix(uint64(channel)<<48^uint64(tick)))
	return normalOf(a, mix(a+0x9e3779b97f4a7c15))
}
