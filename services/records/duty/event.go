package duty

import (
	"errors"
	"fmt"
	"time"
)

// Answer is what somebody said to a question of yes or no.
type Answer int

// Answers. The zero value is that nobody said.
const (
	NotSaid Answer = iota
	Yes
	No
)

// Performer is who did the work.
type Performer int

// Performers. The zero value is that nobody said.
const (
	PerformerNotSaid Performer = iota
	// Grower is the nursery itself, with its own people.
	Grower
	// Business is a pest control business or commercial applicator that did it for
	// the nursery.
	Business
)

// Event is what happened, as far as it is known. A zero value is not known.
type Event struct {
	// Zone is the nursery's time zone; it must be given.
	Zone *time.Location
	// Start and End are those of the application.
	Start, End time.Time
	// RestrictedEntry is the interval from the end of the application: the longest of
	// the mix. A pointer to 0 says that the label sets none; nil that it is not known.
	RestrictedEntry *time.Duration
	// RestrictedUse says whether a product of the mix is a restricted-use one.
	RestrictedUse Answer
	// DoneBy is who did the work.
	DoneBy Performer
	// TradesInProducts says whether the nursery produces, supplies, distributes,
	// imports or exports plant protection products as well as using them.
	TradesInProducts Answer
	// MonthlySummary says whether the use is not for production and is filed in a
	// monthly summary.
	MonthlySummary Answer
	// ElectronicAtOnce says whether the record was made in the electronic form at once.
	ElectronicAtOnce Answer
	// LongerConversion says whether the member state allows a longer time to convert a
	// record; only Yes counts.
	LongerConversion Answer
	// Asked is when somebody asked for a copy or a look.
	Asked time.Time
	// On is the moment of what is no application: the training, the fit test, the
	// voiding of a passport.
	On time.Time
}

// ErrMissing is wrapped by errors that name a fact that is not known and without
// which nothing can be worked out.
var ErrMissing = errors.New("a fact is missing")

func missing(fact string) error { return fmt.Errorf("%w: %s", ErrMissing, fact) }

// The years between which a moment is taken for one. Outside lie typing errors.
const (
	firstYear = 1900
	lastYear  = 9000
)

// Check refuses an event that cannot be: without a zone, ended before it began, a
// restricted-entry interval below zero or a moment outside the years 1900 to 9000.
func (e Event) Check() error {
	if e.Zone == nil {
		return missing("the nursery's time zone")
	}
	for _, fact := range []struct {
		name   string
		moment time.Time
	}{{"start", e.Start}, {"end", e.End}, {"request", e.Asked}, {"record", e.On}} {
		if year := fact.moment.Year(); !fact.moment.IsZero() && (year < firstYear || year > lastYear) {
			return fmt.Errorf("the %s lies in the year %d, which must be from %d to %d", fact.name, year, firstYear, lastYear)
		}
	}
	if !e.Start.IsZero() && !e.End.IsZero() && e.End.Before(e.Start) {
		return errors.New("the application ends before it begins")
	}
	if e.RestrictedEntry != nil && (*e.RestrictedEntry < 0 || *e.RestrictedEntry > longestEntry) {
		return fmt.Errorf("the restricted-entry interval must be from 0 to %d days", int(longestEntry/(24*time.Hour)))
	}
	return nil
}

// longestEntry is more than any label's restricted-entry interval; longer is a typing
// error. Common practice, no source.
const longestEntry = 366 * 24 * time.Hour
