package infection

import (
	"math"
	"time"
)

// Day is one day of a risk curve.
type Day struct {
	// Date is the day's first moment in the nursery's zone.
	Date time.Time
	// Risk is the greatest share, 0 to 1, of the wet hours needed that a spell had
	// reached on the day; of the Botrytis index it is the probability.
	Risk  float64
	Level Level
	// WetHours are those of the day, and WetCelsius its mean temperature while wet, NaN
	// when it never was.
	WetHours, WetCelsius float64
	// KnownHours are those for which readings tell temperature and wetness.
	KnownHours float64
}

// Event is a wet spell that was long enough.
type Event struct {
	// Start and End are those of the spell, Infection when it had lasted long enough.
	Start, Infection, End time.Time
	// WetHours of the spell and Celsius, its mean temperature while wet.
	WetHours, Celsius float64
	// Needed are the wet hours that its temperature asked for when it infected; zero
	// for the Botrytis index.
	Needed float64
	Level  Level
}

// Curve is the risk of one pathogen.
type Curve struct {
	Days   []Day
	Events []Event
}

// Run returns the risk over stretches, ascending by time, by days of a zone.
func (m Model) Run(spans []Span, zone *time.Location) Curve {
	r := run{model: m, zone: zone}
	for _, span := range spans {
		r.add(span)
	}
	r.close()
	r.endDay()
	return r.curve
}

// run walks through the stretches.
type run struct {
	model  Model
	zone   *time.Location
	curve  Curve
	spell  *spell
	room   spell // where the spell is kept, so that a new one costs nothing
	day    Day
	heat   float64 // wet hours of the day times °C
	dayEnd int64
}

func (r *run) add(s Span) {
	if s.End > r.dayEnd {
		r.endDay()
		r.beginDay(s.End)
	}
	hours := s.hours()
	if s.AfterGap && r.spell != nil {
		// Nobody knows whether the leaves stayed wet: the unknown hours count as dry.
		r.spell.dry += float64(s.Start-r.spell.end)/secondsOfAnHour - r.spell.dry
		r.closeIfDry()
	}
	wet := hours * s.Wet
	if s.Unknown() {
		wet = 0 // as in a gap, unknown hours count as dry
	} else {
		r.day.KnownHours += hours
	}
	if wet > 0 {
		r.wet(s, wet)
	}
	if r.spell != nil && wet < hours {
		r.spell.dry += hours - wet
		r.closeIfDry()
	}
}

func (r *run) wet(s Span, hours float64) {
	if r.spell == nil {
		r.room = spell{start: s.Start}
		r.spell = &r.room
	}
	p := r.spell
	p.dry, p.end = 0, s.End
	p.wet += hours
	p.heat += hours * s.Celsius
	r.day.WetHours += hours
	r.heat += hours * s.Celsius
	risk, level := r.risk(p, s.End)
	if risk > r.day.Risk {
		r.day.Risk, r.day.Level = risk, level
	}
}

// risk returns that of a spell so far, and notes when it first infects.
func (r *run) risk(p *spell, now int64) (float64, Level) {
	if r.model.Equation == Botrytis {
		index, probability := BotrytisIndex(p.mean(), p.wet)
		level := BotrytisLevel(index)
		if level != None && p.infected == 0 {
			p.infected = now
		}
		if rank(level) > rank(p.level) {
			p.level = level
		}
		return probability, level
	}
	needed, possible := r.model.Parameters.Needed(p.mean())
	if !possible {
		return 0, None
	}
	share := p.wet / needed
	if share >= 1 && p.infected == 0 {
		p.infected, p.needed, p.level = now, needed, Infection
	}
	return min(share, 1), wetnessLevel(share)
}

func rank(level Level) int {
	switch level {
	case Low:
		return 1
	case Moderate:
		return 2
	case High, Infection:
		return 3
	default:
		return 0
	}
}

func (r *run) closeIfDry() {
	if r.spell.dry > r.model.interruption() {
		r.close()
	}
}

// close ends a spell and keeps it when it infected.
func (r *run) close() {
	p := r.spell
	r.spell = nil
	if p == nil || p.infected == 0 {
		return
	}
	r.curve.Events = append(r.curve.Events, Event{
		Start: at(p.start), Infection: at(p.infected), End: at(p.end),
		WetHours: p.wet, Celsius: p.mean(), Needed: p.needed, Level: p.level,
	})
}

func at(seconds int64) time.Time { return time.Unix(seconds, 0).UTC() }

// beginDay starts the day that a stretch ends in. A stretch that ends at midnight
// belongs to the day before.
func (r *run) beginDay(end int64) {
	year, month, day := time.Unix(end-1, 0).In(r.zone).Date()
	date := time.Date(year, month, day, 0, 0, 0, 0, r.zone)
	r.day = Day{Date: date, Level: None}
	r.heat = 0
	r.dayEnd = date.AddDate(0, 0, 1).Unix()
}

func (r *run) endDay() {
	if r.dayEnd == 0 {
		return
	}
	r.day.WetCelsius = math.NaN()
	if r.day.WetHours > 0 {
		r.day.WetCelsius = r.heat / r.day.WetHours
	}
	r.curve.Days = append(r.curve.Days, r.day)
	r.dayEnd = 0
}
