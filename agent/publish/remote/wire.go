package remote

import (
	"math"

	"github.com/klauspost/compress/s2"
	"google.golang.org/protobuf/encoding/protowire"
)

// Field numbers of the messages of remote write 1.0:
// WriteRequest{timeseries=1}, TimeSeries{labels=1, samples=2}, Label{name=1,
// value=2}, Sample{value=1, timestamp=2}.
const (
	fieldTimeseries = 1
	fieldLabels     = 1
	fieldSamples    = 2
	fieldName       = 1
	fieldText       = 2
	fieldValue      = 1
	fieldTimestamp  = 2
)

// appendRequest appends a WriteRequest. Default values are left out, as protobuf 3
// does, so that the same series give the same bytes.
func appendRequest(b []byte, all []Series) []byte {
	for _, s := range all {
		b = protowire.AppendTag(b, fieldTimeseries, protowire.BytesType)
		b = protowire.AppendVarint(b, uint64(seriesSize(s)))
		for _, l := range s.Labels {
			b = protowire.AppendTag(b, fieldLabels, protowire.BytesType)
			b = protowire.AppendVarint(b, uint64(labelSize(l)))
			b = appendText(b, fieldName, l.Name)
			b = appendText(b, fieldText, l.Value)
		}
		for _, v := range s.Samples {
			b = protowire.AppendTag(b, fieldSamples, protowire.BytesType)
			b = protowire.AppendVarint(b, uint64(sampleSize(v)))
			if bits := math.Float64bits(v.Value); bits != 0 {
				b = protowire.AppendTag(b, fieldValue, protowire.Fixed64Type)
				b = protowire.AppendFixed64(b, bits)
			}
			if v.TimeMS != 0 {
				b = protowire.AppendTag(b, fieldTimestamp, protowire.VarintType)
				b = protowire.AppendVarint(b, uint64(v.TimeMS))
			}
		}
	}
	return b
}

func appendText(b []byte, field protowire.Number, text string) []byte {
	if text == "" {
		return b
	}
	b = protowire.AppendTag(b, field, protowire.BytesType)
	return protowire.AppendString(b, text)
}

func textSize(field protowire.Number, text string) int {
	if text == "" {
		return 0
	}
	return protowire.SizeTag(field) + protowire.SizeBytes(len(text))
}

func labelSize(l Label) int { return textSize(fieldName, l.Name) + textSize(fieldText, l.Value) }

func sampleSize(v Sample) (n int) {
	if math.Float64bits(v.Value) != 0 {
		n = protowire.SizeTag(fieldValue) + protowire.SizeFixed64()
	}
	if v.TimeMS != 0 {
		n += protowire.SizeTag(fieldTimestamp) + protowire.SizeVarint(uint64(v.TimeMS))
	}
	return n
}

func seriesSize(s Series) (n int) {
	for _, l := range s.Labels {
		n += protowire.SizeTag(fieldLabels) + protowire.SizeBytes(labelSize(l))
	}
	for _, v := range s.Samples {
		n += protowire.SizeTag(fieldSamples) + protowire.SizeBytes(sampleSize(v))
	}
	return n
}

// payload is the body of a request: the message in one Snappy block. The framed
// format is forbidden.
func payload(all []Series) []byte {
	return s2.EncodeSnappyBetter(nil, appendRequest(nil, all))
}
