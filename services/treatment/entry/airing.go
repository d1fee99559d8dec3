package entry

import (
	"errors"
	"fmt"
	"math/big"
	"slices"
	"time"

	"velamen/internal/quantity"
)

// Device is how a house is aired.
type Device string

// The devices.
const (
	// Fans are mechanical ventilation.
	Fans Device = "fans"
	// Vents are vents, windows or whatever else lets the wind through.
	Vents Device = "vents"
	// Shut is a house that is known to be without ventilation.
	Shut Device = "shut"
)

// Airing is one span in which a house was aired, or was known to be shut.
type Airing struct {
	House  string
	Device Device
	// Start and End, UTC; End is zero while it goes on.
	Start, End time.Time
	// Flow is what the fans that ran moved, a volume per time such as m3/h; zero when
	// not entered. Without it no air exchanges are counted.
	Flow quantity.Quantity
}

// CheckAirings refuses airings of one house, as known at a moment, that cannot be: an
// unknown device, clocks that run backwards, times that have not come, one device
// twice at once, and shut while something airs. The error names every fault. Fans and
// vents may be on together. Time between two spans is no fault: it counts as shut,
// which is the least that it can have been.
func CheckAirings(airings []Airing, now time.Time) error {
	var faults []error
	for i, airing := range airings {
		if err := airing.check(now); err != nil {
			faults = append(faults, fmt.Errorf("airing %d: %w", i+1, err))
		}
		for j, other := range airings[:i] {
			contradict := other.Device == airing.Device || other.Device == Shut || airing.Device == Shut
			if other.House == airing.House && contradict && other.overlaps(airing) {
				faults = append(faults, fmt.Errorf("airings %d and %d: %s and %s at one time", j+1, i+1, other.Device, airing.Device))
			}
		}
	}
	return errors.Join(faults...)
}

// check refuses what one airing cannot be for itself.
func (a Airing) check(now time.Time) error {
	switch {
	case a.Device != Fans && a.Device != Vents && a.Device != Shut:
		return fmt.Errorf("%q is not fans, vents or shut", a.Device)
	case a.Start.IsZero():
		return errors.New("has no start")
	case a.Start.After(now) || a.End.After(now):
		return errors.New("lies in the future")
	case !a.End.IsZero() && !a.End.After(a.Start):
		return errors.New("ends before it starts")
	case a.Flow.IsZero():
		return nil
	}
	perHour, err := a.Flow.In(quantity.CubicMetrePerH)
	if err != nil || !perHour.Positive() || a.Device != Fans {
		return errors.New("the flow must be a volume per time above 0, of fans")
	}
	return nil
}

func (a Airing) overlaps(b Airing) bool {
	return (b.End.IsZero() || a.Start.Before(b.End)) && (a.End.IsZero() || b.Start.Before(a.End))
}

// span is a stretch of time, in time since the end of an application.
type span struct{ from, to time.Duration }

// stretch is a span in which nothing changes.
type stretch struct {
	span
	fans, vents bool
	// flow is air exchanges per h; nil when not known.
	flow *big.Rat
}

// horizon is how far past the end of an application airing is looked at. It is longer
// than any criterion of the data.
const horizon = 2 * mostHours * time.Hour

// stretches cuts the time from an end onwards wherever airing changes. What still
// goes on is taken to go on.
func stretches(house House, airings []Airing, end time.Time) []stretch {
	cuts := []time.Duration{0, horizon}
	var running []Airing
	var spans []span
	for _, airing := range airings {
		at := span{max(0, airing.Start.Sub(end)), horizon}
		if !airing.End.IsZero() {
			at.to = min(horizon, airing.End.Sub(end))
		}
		if airing.House != house.ID || airing.Device == Shut || at.to <= at.from {
			continue
		}
		running, spans = append(running, airing), append(spans, at)
		cuts = append(cuts, at.from, at.to)
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	var cut []stretch
	for i := 1; i < len(cuts); i++ {
		one := stretch{span: span{cuts[i-1], cuts[i]}}
		for j, airing := range running {
			if spans[j].from > one.from || spans[j].to < one.to {
				continue
			}
			one.vents = one.vents || airing.Device == Vents
			if airing.Device == Fans {
				one.fans = true
				one.flow = exchanges(airing.Flow, house.Volume)
			}
		}
		cut = append(cut, one)
	}
	return cut
}

// exchanges returns how many times an hour a flow changes the air of a volume; nil
// where either is not known.
func exchanges(flow, volume quantity.Quantity) *big.Rat {
	if flow.IsZero() || volume.IsZero() {
		return nil
	}
	perHour, err := flow.Exact().In(quantity.CubicMetrePerH)
	if err != nil || perHour.Sign() <= 0 {
		return nil
	}
	air, err := volume.Exact().In(quantity.CubicMetre)
	if err != nil || air.Sign() <= 0 {
		return nil
	}
	return new(big.Rat).Quo(perHour.Amount(), air.Amount())
}

// airedAt returns how long after the end of an application the criteria of a law are
// met, by which, and false when they are not within the horizon.
func (l ventilationLaw) airedAt(cut []stretch) (time.Duration, string, bool) {
	if l.fractions {
		return l.addedUp(cut)
	}
	best, by, met := time.Duration(0), "", false
	for _, c := range l.criteria {
		if at, reached := c.reached(cut); reached && (!met || at < best) {
			best, by, met = at, c.name, true
		}
	}
	return best, by, met
}

// reached returns when one criterion is met for itself.
func (c criterion) reached(cut []stretch) (time.Duration, bool) {
	switch {
	case c.exchanges > 0:
		return filled(cut, big.NewRat(int64(c.exchanges), 1), func(s stretch) *big.Rat { return s.flow })
	case c.fans > 0:
		return unbroken(cut, c.shut, c.fans, func(s stretch) bool { return s.fans })
	case c.vents > 0:
		return unbroken(cut, c.shut, c.vents, func(s stretch) bool { return s.vents })
	}
	return c.shut, true
}

// unbroken returns the end of the first time of a length without a break, not
// counting what lies before a time.
func unbroken(cut []stretch, after, length time.Duration, on func(stretch) bool) (time.Duration, bool) {
	begun, running := time.Duration(0), false
	for _, s := range cut {
		if s.to <= after || !on(s) {
			running = false
			continue
		}
		if !running {
			begun, running = max(after, s.from), true
		}
		if s.to-begun >= length {
			return begun + length, true
		}
	}
	return 0, false
}

// filled returns when a sum of rates per h times hours reaches an amount, rounded up
// to a nanosecond.
func filled(cut []stretch, amount *big.Rat, rate func(stretch) *big.Rat) (time.Duration, bool) {
	left := new(big.Rat).Set(amount)
	for _, s := range cut {
		per := rate(s)
		if per == nil || per.Sign() <= 0 {
			continue
		}
		hours := big.NewRat(int64(s.to-s.from), int64(time.Hour))
		got := hours.Mul(hours, per)
		if got.Cmp(left) < 0 {
			left.Sub(left, got)
			continue
		}
		needed := new(big.Rat).Quo(left, per)
		needed.Mul(needed, new(big.Rat).SetInt64(int64(time.Hour)))
		whole, rest := new(big.Int).QuoRem(needed.Num(), needed.Denom(), new(big.Int))
		if rest.Sign() > 0 {
			whole.Add(whole, big.NewInt(1))
		}
		return s.from + time.Duration(whole.Int64()), true
	}
	return 0, false
}

// addedUp returns when the parts of the criteria that were reached make one whole. At
// any moment only the criterion that goes fastest counts, so that no air is counted
// twice.
func (l ventilationLaw) addedUp(cut []stretch) (time.Duration, string, bool) {
	at, met := filled(cut, big.NewRat(1, 1), func(s stretch) *big.Rat {
		fastest := new(big.Rat)
		for _, c := range l.criteria {
			if part := c.partPerHour(s); part != nil && part.Cmp(fastest) > 0 {
				fastest = part
			}
		}
		return fastest
	})
	return at, "parts of the criteria that add up to 100 %", met
}

// partPerHour returns which part of a criterion an hour of a stretch reaches; nil for
// none.
func (c criterion) partPerHour(s stretch) *big.Rat {
	hour := func(of time.Duration) *big.Rat { return big.NewRat(int64(time.Hour), int64(of)) }
	switch {
	case c.exchanges > 0 && s.flow != nil:
		return new(big.Rat).Quo(s.flow, big.NewRat(int64(c.exchanges), 1))
	case c.exchanges > 0:
		return nil
	case c.fans > 0 && s.fans:
		return hour(c.fans)
	case c.vents > 0 && s.vents:
		return hour(c.vents)
	case c.fans == 0 && c.vents == 0:
		return hour(c.shut)
	}
	return nil
}
