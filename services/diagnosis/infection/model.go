package infection

import "math"

// Parameters are those of the generic infection model.
type Parameters struct {
	// Lowest, Best and Highest temperature of infection in °C.
	Lowest, Best, Highest float64
	// Least is the wet hours that infect at the best temperature; Most bounds what is
	// asked for at others.
	Least, Most float64
	// Interruption is the dry hours up to which two wet spells count as one.
	Interruption float64
}

// Response returns how fast infection goes at a temperature in °C compared with the
// best one, 0 to 1: the equation of Yan and Hunt in Magarey, Sutton and Thayer 2005,
// Phytopathology 95:92-100.
func (p Parameters) Response(celsius float64) float64 {
	if celsius <= p.Lowest || celsius >= p.Highest {
		return 0
	}
	base := (celsius - p.Lowest) / (p.Best - p.Lowest)
	power := (p.Best - p.Lowest) / (p.Highest - p.Best)
	return (p.Highest - celsius) / (p.Highest - p.Best) * math.Pow(base, power)
}

// Needed returns the wet hours that infect at a mean temperature in °C, and whether
// any do. At the lowest and the highest temperature and beyond them nothing infects:
// the bound Most is never taken to mean that it would.
func (p Parameters) Needed(celsius float64) (hours float64, possible bool) {
	response := p.Response(celsius)
	if response <= 0 {
		return 0, false
	}
	return min(p.Least/response, p.Most), true
}

// spell is a wet spell, its short dry interruptions included.
type spell struct {
	start, end int64 // s; the end is that of the last wet stretch
	wet        float64
	heat       float64 // wet hours times °C
	dry        float64 // dry hours since the end
	infected   int64   // when infection became possible; 0 not yet
	needed     float64
	level      Level
}

func (s *spell) mean() float64 { return s.heat / s.wet }

// The Botrytis index of Broome et al. 1995 on grape: coefficients read at second
// hand, their attribution to the paper from memory. An event is closed by 4 dry
// hours (an Australian vineyard paper).
const (
	botrytisConstant     = -2.647866
	botrytisWet          = -0.374927
	botrytisHeat         = 0.061601
	botrytisHeatSquared  = -0.001511
	botrytisInterruption = 4.0 // h
)

// BotrytisIndex returns the index of Broome et al. 1995 for wet hours at a mean
// temperature in °C, and the probability that it stands for.
func BotrytisIndex(celsius, wetHours float64) (index, probability float64) {
	index = botrytisConstant + botrytisWet*wetHours + botrytisHeat*wetHours*celsius +
		botrytisHeatSquared*wetHours*celsius*celsius
	return index, 1 / (1 + math.Exp(-index))
}

// Level is how great a risk is.
type Level string

// The levels.
const (
	None      Level = "none"
	Low       Level = "low"
	Moderate  Level = "moderate"
	High      Level = "high"
	Infection Level = "infection"
)

// BotrytisLevel returns the class of an index, as published with it.
func BotrytisLevel(index float64) Level {
	switch {
	case index <= 0:
		return None
	case index < 0.5:
		return Low
	case index < 1:
		return Moderate
	default:
		return High
	}
}

// halfway is the share of the wet hours needed from which a risk is called moderate:
// design value, no source.
const halfway = 0.5

// wetnessLevel is the level of a share of the wet hours needed.
func wetnessLevel(share float64) Level {
	switch {
	case share <= 0:
		return None
	case share < halfway:
		return Low
	case share < 1:
		return Moderate
	default:
		return High
	}
}
