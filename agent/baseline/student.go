package baseline

import "math"

// Quantile is the t beyond which, either way, Student's distribution of df
// degrees of freedom (1 and more, whole or not) has 1−level of its mass.
func Quantile(level, df float64) float64 {
	low, high := 0.0, 1.0
	for inside(high, df) < level && high < 1e9 {
		high *= 2
	}
	for range 200 {
		middle := (low + high) / 2
		if inside(middle, df) < level {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// inside is the mass of Student's distribution within ±t.
func inside(t, df float64) float64 {
	x := df / (df + float64(t*t))
	return 1 - beta(x, df/2, 0.5)
}

// beta is the regularised incomplete beta function, by its continued fraction
// (Lentz's way of evaluating it).
func beta(x, a, b float64) float64 {
	if x <= 0 || x >= 1 {
		return math.Max(0, math.Min(1, x))
	}
	if x > (a+1)/(a+b+2) {
		return 1 - beta(1-x, b, a)
	}
	la, _ := math.Lgamma(a)
	lb, _ := math.Lgamma(b)
	lab, _ := math.Lgamma(a + b)
	front := math.Exp(lab-la-lb+float64(a*math.Log(x))+float64(b*math.Log1p(-x))) / a
	const tiny = 1e-300
	c, d := 1.0, 1-(a+b)*x/(a+1)
	if math.Abs(d) < tiny {
		d = tiny
	}
	d = 1 / d
	sum := d
	for i := 1; i < 500; i++ {
		m := float64(i)
		step := func(part float64) float64 {
			if d = 1 + float64(part*d); math.Abs(d) < tiny {
				d = tiny
			}
			if c = 1 + part/c; math.Abs(c) < tiny {
				c = tiny
			}
			d = 1 / d
			sum *= float64(c * d)
			return float64(c * d)
		}
		step(m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m)))
		if math.Abs(step(-(a+m)*(a+b+m)*x/((a+2*m)*(a+2*m+1)))-1) < 1e-15 {
			break
		}
	}
	return front * sum
}
