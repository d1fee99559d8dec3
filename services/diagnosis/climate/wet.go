package climate

import (
	"bytes"
	"fmt"
	"slices"
)

// wetnessScale is how a file writes leaf wetness.
type wetnessScale int

const (
	// wetShare is 0 to 1, or dry and wet.
	wetShare wetnessScale = iota
	// wetPercent is 0 to 100 %.
	wetPercent
	// wetMinutes is how long the leaf was wet since the reading before.
	wetMinutes
)

// mostWet is above every wetness that can be.
const mostWet = 1_000_000

func scaleOf(c column) wetnessScale {
	switch {
	case slices.Contains(c.words, "%"):
		return wetPercent
	case anyOf(c.words, []string{"min", "mins", "minutes", "minuten"}):
		return wetMinutes
	default:
		return wetShare
	}
}

// parse reads a wetness in hundredths of whatever the file has.
func (s wetnessScale) parse(cell []byte) (int32, bool) {
	if blank(cell) {
		return Missing, true
	}
	number, rest, ok := parseDecimal(cell)
	if ok && len(rest) == 0 || (ok && s == wetPercent && string(trim(rest)) == "%") {
		return int32(number.hundredths()), true // #nosec G115 -- maxDigits keeps it below 10^8
	}
	switch string(bytes.ToLower(cell)) {
	case "wet", "true", "yes", "on":
		return 100, s == wetShare
	case "dry", "false", "no", "off":
		return 0, s == wetShare
	default:
		return 0, false
	}
}

// settleWetness turns what the file has into hundredths of a percent of the time.
// A column of which it is not clear what it measures is left out and said.
func (p *parser) settleWetness(interval int64) {
	if !p.layout.wetness.present() {
		return
	}
	most := int32(0)
	for i := range p.rows {
		most = max(most, p.rows[i].Wetness)
	}
	suspect := ""
	switch {
	case p.wetness == wetShare && most > 100:
		suspect = fmt.Sprintf("names no unit and goes up to %s", plain(most))
	case p.wetness == wetPercent && most > 0 && most <= 100:
		suspect = fmt.Sprintf("says %% and never goes above %s", plain(most))
	case p.wetness == wetMinutes && interval < 60:
		suspect = "counts minutes where readings come more often"
	}
	if suspect != "" {
		p.faults.add(Fault{Kind: UnitSuspect, Line: p.line, Sentence: fmt.Sprintf(
			"the wetness in %s %s, so it was left out: the header must say %%, min, or hold 0 to 1", p.layout.wetness.place(), suspect)})
		p.layout.wetness = absent
	}
	for i := range p.rows {
		r := &p.rows[i]
		switch {
		case r.Wetness == Missing:
		case suspect != "":
			r.Wetness = Missing
		case r.Wetness < 0 || r.Wetness > mostWet:
			r.Wetness = mostWet // out of range whatever the scale
		case p.wetness == wetShare:
			r.Wetness *= 100
		case p.wetness == wetMinutes:
			// Hundredths of a minute become hundredths of a percent of the interval.
			r.Wetness = int32(min(mostWet, halfToEven(int64(r.Wetness)*100*60, interval, 0))) // #nosec G115 -- at most mostWet
		}
	}
}

// plain writes hundredths as a decimal.
func plain(hundredths int32) string {
	sign := ""
	value := int64(hundredths)
	if value < 0 {
		sign, value = "-", -value
	}
	if value%100 == 0 {
		return fmt.Sprintf("%s%d", sign, value/100)
	}
	return fmt.Sprintf("%s%d.%02d", sign, value/100, value%100)
}
