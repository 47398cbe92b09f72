//go:build linux && (amd64 || arm64 || arm)

package dvb

import (
	"fmt"
	"strconv"

	"holdfast/analysis/reception"
)

// Numbers of enum fe_delivery_system.
var systems = map[reception.System]uint32{
	reception.ATSC1: 11, reception.DVBT: 3, reception.DVBT2: 16, reception.ISDBT: 8, reception.DTMB: 13,
}

// tuning returns the properties that tune to a channel. DTV_CLEAR keeps an earlier
// owner's parameters out.
func tuning(c reception.Channel) ([]property, error) {
	sys, ok := systems[c.System]
	if !ok {
		return nil, fmt.Errorf("the kernel's DVB API has no system %q", c.System)
	}
	if c.FrequencyHz <= 0 || c.FrequencyHz > 1<<32-1 {
		return nil, fmt.Errorf("frequency %d Hz is outside what the DVB API can name", c.FrequencyHz)
	}
	ps := []property{set(dtvClear, 0), set(dtvSystem, sys), set(dtvFrequency, uint32(c.FrequencyHz)), set(dtvInversion, inversionAuto)}
	if c.System == reception.ATSC1 {
		ps = append(ps, set(dtvModulation, modVSB8))
	} else {
		bw := c.BandwidthHz
		if bw == 0 {
			bw = map[reception.System]int64{reception.ISDBT: 6e6}[c.System]
		}
		if bw == 0 {
			bw = 8e6
		}
		ps = append(ps, set(dtvModulation, modAuto), set(dtvBandwidthHz, uint32(bw)), set(dtvInnerFEC, fecAuto))
	}
	if c.System == reception.DVBT2 && c.Layer != "" {
		plp, err := strconv.ParseUint(c.Layer, 10, 8)
		if err != nil {
			return nil, fmt.Errorf("layer %q of a DVB-T2 channel; want the number of its PLP, 0 to 255", c.Layer)
		}
		ps = append(ps, set(dtvStreamID, uint32(plp)))
	}
	return append(ps, set(dtvTune, 0)), nil
}

// layerOf is the place of a channel's layer in a statistic.
func layerOf(c reception.Channel) (int, error) {
	if c.System != reception.ISDBT || c.Layer == "" {
		return 0, nil
	}
	switch c.Layer {
	case "A", "B", "C":
		return int(c.Layer[0]-'A') + 1, nil
	}
	return 0, fmt.Errorf("layer %q of an ISDB-T channel; want A, B or C", c.Layer)
}

// Words of enum fe_modulation and enum fe_code_rate; "" is one that tells nothing.
var (
	modulations = []string{"qpsk", "16qam", "32qam", "64qam", "128qam", "256qam", "", "8vsb", "16vsb", "8psk", "16apsk", "32apsk", "dqpsk"}
	codeRates   = []string{"", "1/2", "2/3", "3/4", "4/5", "5/6", "6/7", "7/8", "8/9", "", "3/5", "9/10", "2/5"}
)

func word(words []string, i uint32) string {
	if int(i) < len(words) {
		return words[i]
	}
	return ""
}

// mode asks what the signal has turned out to be, such as "64qam-3/4"; "" if the
// driver does not say.
func (s *Source) mode(fd int, c reception.Channel, layer int) string {
	mod, fec := uint32(dtvModulation), uint32(dtvInnerFEC)
	switch {
	case c.System == reception.ATSC1:
		return "8vsb"
	case c.System == reception.DVBT:
		fec = dtvCodeRateHP
	case c.System == reception.ISDBT:
		k := uint32(max(layer-1, 0))
		mod, fec = dtvLayerAMod+4*k, dtvLayerAFEC+4*k
	}
	ps := ask(mod, fec)
	if exchange(s.kernel, fd, feGetProperty, ps) != nil {
		return ""
	}
	m, r := word(modulations, ps[0].data()), word(codeRates, ps[1].data())
	if m == "" || r == "" {
		return ""
	}
	return m + "-" + r
}
