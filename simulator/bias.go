package simulator

import (
	"fmt"
	"math"
)

// Bias is how far all values of one device are off, always: a gauge that reads
// high, a current transformer with another ratio than its plate says. It is
// there before noise and rounding. What a device shows of several places it
// shows with the same error; devices of one maker get the same keys.
type Bias struct {
	PressurePa    float64 // added to every gauge pressure
	PressureShare float64 // of the reading
	PowerShare    float64 // of the reading: currents, powers and the energy counted
	FlowShare     float64 // of the reading: the flow and the volume counted
	TemperatureK  float64 // added to every temperature
}

// most that an instrument may be off: beyond that it is broken, which other
// keys tell.
const (
	mostBiasShare = 0.2
	mostBiasK     = 20
	mostBiasPa    = 200e3
)

// shift puts the errors into what a device sees of machine c.
func (b *Bias) shift(s *snapshot, c *compressor) {
	if *b == (Bias{}) {
		return
	}
	for _, pa := range []*float64{&s.dischargePa, &s.sumpPa, &s.receiverPa, &s.headerPa} {
		*pa = *pa*(1+b.PressureShare) + b.PressurePa
	}
	gain := 1 + b.PowerShare
	for _, v := range []*float64{&s.motorA, &s.lineA, &s.activeW, &s.reactiveW, &s.apparentW, &s.motorW, &s.motorVar, &s.fanW} {
		*v *= gain
	}
	s.energyWh = c.spec.InitialWh + uint64(c.count.EnergyJ*gain/3600)
	s.headerM3S *= 1 + b.FlowShare
	s.headerM3 *= 1 + b.FlowShare
	for _, k := range []*float64{&s.airEndK, &s.ambientK, &s.aftercoolerK, &s.oilK, &s.dewK} {
		*k += b.TemperatureK
	}
}

func (b *Bias) validate(device string, bad func(string, ...any)) {
	for _, share := range []float64{b.PressureShare, b.PowerShare, b.FlowShare} {
		if !(math.Abs(share) <= mostBiasShare) {
			bad("device %q: bias: pressure_share, power_share and flow_share are from -%g to %g", device, mostBiasShare, mostBiasShare)
			break
		}
	}
	if !(math.Abs(b.TemperatureK) <= mostBiasK) || !(math.Abs(b.PressurePa) <= mostBiasPa) {
		bad("device %q: bias: temperature_k is within %d K, pressure within 200 kPa", device, mostBiasK)
	}
}

type biasFile struct {
	Pressure      string  `toml:"pressure"`
	PressureShare float64 `toml:"pressure_share"`
	PowerShare    float64 `toml:"power_share"`
	FlowShare     float64 `toml:"flow_share"`
	TemperatureK  float64 `toml:"temperature_k"`
}

func (f *biasFile) bias(r *reader, device string) Bias {
	return Bias{PressurePa: r.gauge(fmt.Sprintf("device %q: bias.pressure", device), f.Pressure, ""), PressureShare: f.PressureShare,
		PowerShare: f.PowerShare, FlowShare: f.FlowShare, TemperatureK: f.TemperatureK}
}

// checkAccuracy reads what a site file would say of the device: each value must
// be one that instruments have.
func checkAccuracy(device string, accuracy map[string]string, bad func(string, ...any)) {
	for kind, text := range accuracy {
		switch kind {
		case "pressure", "power", "energy", "flow", "temperature", "current", "voltage":
		default:
			bad("device %q: accuracy: %q is unknown; pressure, power, energy, flow, temperature, current and voltage are known", device, kind)
		}
		if text == "" {
			bad("device %q: accuracy: %s: write it like \"1 %% of span\", \"2 %% of reading\" or \"3 °F\"", device, kind)
		}
	}
}
