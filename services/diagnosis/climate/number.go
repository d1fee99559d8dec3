package climate

import "bytes"

// decimal is a number as a file writes it: (mantissa + tail) / 10^places, the tail
// being less than one unit of the last place.
type decimal struct {
	mantissa int64
	places   int
	// tail says that digits beyond maxPlaces were not all zero.
	tail bool
}

// Digits that a number may have. Nothing that a climate logger measures needs more
// before the point; those after maxPlaces can only break a tie in rounding.
const (
	maxDigits = 6
	maxPlaces = 8
)

// tens are the powers of ten up to maxPlaces.
var tens = [maxPlaces + 1]int64{1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000}

// parseDecimal reads a number with a decimal point or a decimal comma from the
// beginning of a cell and returns what follows it. ok is false for anything else.
func parseDecimal(cell []byte) (number decimal, rest []byte, ok bool) {
	i, negative := 0, false
	if i < len(cell) && (cell[i] == '-' || cell[i] == '+') {
		negative = cell[i] == '-'
		i++
	} else if after, minus := bytes.CutPrefix(cell, minusSign); minus {
		cell, negative = after, true
	}
	digits := i
	for i < len(cell) && cell[i]-'0' <= 9 {
		number.mantissa = number.mantissa*10 + int64(cell[i]-'0')
		i++
		if i-digits > maxDigits {
			return decimal{}, nil, false
		}
	}
	seen := i > digits
	if i < len(cell) && (cell[i] == '.' || cell[i] == ',') {
		i++
		for i < len(cell) && cell[i]-'0' <= 9 {
			seen = true
			if number.places < maxPlaces {
				number.mantissa = number.mantissa*10 + int64(cell[i]-'0')
				number.places++
			} else if cell[i] != '0' {
				number.tail = true
			}
			i++
		}
	}
	if negative {
		number.mantissa = -number.mantissa
	}
	return number, cell[i:], seen
}

// minusSign is U+2212, which some programs write for a hyphen.
var minusSign = []byte("\u2212")

// hundredths returns the number in whole hundredths, rounded half to even.
func (d decimal) hundredths() int64 {
	return halfToEven(d.mantissa*100, tens[d.places], d.tailSign())
}

// fahrenheitHundredths returns a temperature in °F as whole hundredths of a degree
// Celsius, rounded half to even. The conversion, (F - 32) * 5/9, is exact.
func (d decimal) fahrenheitHundredths() int64 {
	return halfToEven((d.mantissa-32*tens[d.places])*500, 9*tens[d.places], d.tailSign())
}

func (d decimal) tailSign() int {
	switch {
	case !d.tail:
		return 0
	case d.mantissa < 0:
		return -1
	default:
		return 1
	}
}

// halfToEven divides and rounds to the nearest whole number, a half to the even
// one. tail says on which side of the fraction the true value lies.
func halfToEven(numerator, denominator int64, tail int) int64 {
	quotient, remainder := numerator/denominator, numerator%denominator
	if remainder < 0 {
		quotient, remainder = quotient-1, remainder+denominator
	}
	switch twice := 2 * remainder; {
	case twice > denominator, twice == denominator && (tail > 0 || (tail == 0 && quotient&1 != 0)):
		return quotient + 1
	default:
		return quotient
	}
}

// trim cuts spaces and tabs off both ends of a cell, and the no-break spaces that
// spreadsheets leave.
func trim(cell []byte) []byte {
	for len(cell) > 0 && (cell[0] == ' ' || cell[0] == '\t') {
		cell = cell[1:]
	}
	for len(cell) > 0 && (cell[len(cell)-1] == ' ' || cell[len(cell)-1] == '\t') {
		cell = cell[:len(cell)-1]
	}
	if len(cell) > 1 && (cell[0] >= 0xc2 || cell[len(cell)-1] == 0xa0) {
		return bytes.TrimSpace(cell)
	}
	return cell
}

// blank says that a cell holds no measurement, as loggers write that.
func blank(cell []byte) bool {
	if len(cell) == 0 {
		return true
	}
	if c := cell[0]; c-'0' <= 9 || len(cell) > 7 {
		return false
	}
	switch string(bytes.ToLower(cell)) {
	case "-", "--", "---", "----", "n/a", "na", "nan", "null", "none", "error", "err", "#n/a":
		return true
	default:
		return false
	}
}
