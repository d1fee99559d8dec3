package entry

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"velamen/internal/rulefile"
)

// Notices are what is due to the people of a nursery because of an application. Days
// are counted in the nursery's zone, hours as they pass; times are UTC.
type Notices struct {
	// Signs and Spoken are what is due; with Either it is one of the two, as the
	// nursery chooses. None of them when nobody enters.
	Signs, Spoken, Either bool
	// SignsFrom is the earliest that signs go up and SignsBy the latest, SignsDownBy
	// the latest that they come down; zero when no sign may be due or, of SignsDownBy,
	// while the end is not known.
	SignsFrom, SignsBy, SignsDownBy time.Time
	// SpokenBy is the latest for spoken words to who is there already; who comes later
	// is told at the start of the work period. Zero when none are due.
	SpokenBy time.Time
	// Words are what to say and to display: where, from when to when, and to keep out.
	Words string
	// DisplayBy is the latest that the information about the application is displayed,
	// DisplayUntil how long it stays; zero while the end is not known.
	DisplayBy, DisplayUntil time.Time
	// SuppliesUntil is how long water, soap and towels stand ready after it; zero while
	// the end is not known.
	SuppliesUntil time.Time
	// Why are sentences: which rule asks for what, and which facts are missing.
	Why []string
	// Missing are the facts that are not entered and for want of which more is asked.
	Missing []string
	// Sources of the rules used.
	Sources []string
}

// NoticesDue returns the notices of an application (data/notices.yaml). NobodyEnters
// is whether no worker enters the place, nor outdoors comes within a quarter of a
// mile of it, from the start of the application to the end of the interval. A fact
// that is not entered asks for more, never for less.
func (n Nursery) NoticesDue(a Application, nobodyEnters Fact) Notices {
	set := notices()
	var due Notices
	if _, standsIn, err := lawFor(n.Jurisdiction, federal); err != nil {
		due.Missing = append(due.Missing, "the nursery's law")
		due.Why = append(due.Why, sentence(err))
	} else if standsIn {
		due.Why = append(due.Why, standIn(n.Jurisdiction))
	}
	house, _ := n.house(a.House)
	interval := n.IntervalOf(a)
	due.Missing = append(due.Missing, interval.Missing...)
	due.howTold(set, house, a, interval, nobodyEnters)
	n.whenTold(set, a, interval, &due)
	n.afterEnd(set, a, interval, &due)
	return due
}

// howTold decides between signs, spoken words, both and none.
func (d *Notices) howTold(set *noticeSet, house House, a Application, interval Interval, nobodyEnters Fact) {
	if nobodyEnters == Yes {
		d.why(set.nobody.Source, "Nobody enters from the start of the application to the end of the interval, so no notice is due.")
		return
	}
	bound, place := set.enclosed, "enclosed"
	if house.Enclosed == No {
		bound, place = set.outdoors, "outdoor"
	}
	if house.Enclosed == Unknown {
		d.Missing = append(d.Missing, "whether the place is enclosed")
	}
	double := anyProduct(a, func(p Product) Fact { return p.Double })
	switch {
	case double == Yes:
		d.Signs, d.Spoken = true, true
		d.why(set.double.Source, "A label of the mix asks for signs and spoken words both.")
	case double == Unknown:
		d.Signs, d.Spoken = true, true
		d.Missing = append(d.Missing, "whether a label asks for signs and spoken words both")
		d.why(set.double.Source, "Whether a label asks for signs and spoken words both is not entered, so both are due.")
	case !interval.Known:
		d.Signs = true
		d.why(bound.Source, strings.Join(interval.Why, " ")+" Until then signs are due.")
	case interval.Length > time.Duration(bound.Hours)*time.Hour:
		d.Signs = true
		d.why(bound.Source, fmt.Sprintf("The restricted-entry interval of %s is above %d h in an %s place, so signs are due.", lengthText(interval.Length), bound.Hours, place))
	default:
		d.Either = true
		d.why(bound.Source, fmt.Sprintf("The restricted-entry interval of %s is at most %d h in an %s place, so signs or spoken words are due.", lengthText(interval.Length), bound.Hours, place))
	}
}

func (d *Notices) why(source, text string) {
	d.Why = append(d.Why, text)
	d.Sources = append(d.Sources, source)
}

// whenTold gives the times of signs and spoken words.
func (n Nursery) whenTold(set *noticeSet, a Application, interval Interval, due *Notices) {
	until, known := interval.EndFrom(a.End)
	if (due.Signs || due.Either) && !a.Start.IsZero() {
		due.SignsFrom, due.SignsBy = a.Start.Add(-time.Duration(set.upBefore.Hours)*time.Hour), a.Start
		due.Sources = append(due.Sources, set.upBefore.Source)
	}
	if (due.Signs || due.Either) && known {
		due.SignsDownBy = n.daysAfter(until, set.downWithin.Days)
		due.Sources = append(due.Sources, set.downWithin.Source)
	}
	if due.Spoken || due.Either {
		due.SpokenBy = a.Start
	}
	if !due.Signs && !due.Spoken && !due.Either {
		return
	}
	house, _ := n.house(a.House)
	if house.ID == "" {
		house.ID = a.House
	}
	closed := ClosedAreaOf(a, house.Enclosed)
	end := "until you are told that it is open"
	if known {
		end = "to " + n.when(until)
		if closed.Aired {
			// The interval may be over before the air is good.
			end += ", and after that until the house is aired"
		}
	}
	due.Words = fmt.Sprintf("%s: keep out of %s from %s %s. A pesticide is applied there.",
		house.firstName(), inWords(closed.Closed, a), n.when(a.Start), end)
}

// afterEnd gives the times of the display and of the supplies.
func (n Nursery) afterEnd(set *noticeSet, a Application, interval Interval, due *Notices) {
	if a.End.IsZero() {
		due.Missing = append(due.Missing, "the end of the application")
		return
	}
	due.DisplayBy = a.End.Add(time.Duration(set.displayWithin.Hours) * time.Hour)
	due.Sources = append(due.Sources, set.displayWithin.Source)
	until, known := interval.EndFrom(a.End)
	if !known {
		return
	}
	due.DisplayUntil = n.daysAfter(until, set.displayFor.Days)
	due.Sources = append(due.Sources, set.displayFor.Source)
	for _, row := range set.supplies {
		if interval.Length > time.Duration(row.AboveH)*time.Hour || row.AboveH == 0 {
			due.SuppliesUntil = n.daysAfter(until, row.Days)
			due.Sources = append(due.Sources, row.Source)
			return
		}
	}
}

// daysAfter is the same time of day so many days later, in the nursery's zone. Where
// the clocks change that is not a multiple of 24 h.
func (n Nursery) daysAfter(moment time.Time, days int) time.Time {
	return moment.In(n.zone()).AddDate(0, 0, days).UTC()
}

type noticeSet struct {
	enclosed, outdoors, upBefore, displayWithin hoursRow
	downWithin, displayFor                      daysRow
	double, nobody                              origin
	supplies                                    []suppliesRow
}

var notices = sync.OnceValue(func() *noticeSet { return load("notices.yaml", parseNotices) })

type hoursRow struct {
	Hours  int `yaml:"hours"`
	origin `yaml:",inline"`
}

func (r hoursRow) check() error {
	return errors.Join(r.origin.check(), whole("hours", r.Hours, 1, mostHours))
}

type daysRow struct {
	Days   int `yaml:"days"`
	origin `yaml:",inline"`
}

func (r daysRow) check() error {
	return errors.Join(r.origin.check(), whole("days", r.Days, 1, mostDays))
}

type suppliesRow struct {
	AboveH  int `yaml:"above_h"`
	daysRow `yaml:",inline"`
}

type noticeRows struct {
	head        `yaml:",inline"`
	SignsAboveH struct {
		Enclosed hoursRow `yaml:"enclosed"`
		Outdoors hoursRow `yaml:"outdoors"`
	} `yaml:"signs_above_h"`
	Double              origin        `yaml:"double"`
	NobodyEnters        origin        `yaml:"nobody_enters"`
	SignsUpBeforeH      hoursRow      `yaml:"signs_up_before_h"`
	SignsDownWithinDays daysRow       `yaml:"signs_down_within_days"`
	DisplayWithinH      hoursRow      `yaml:"display_within_h"`
	DisplayDays         daysRow       `yaml:"display_days"`
	Supplies            []suppliesRow `yaml:"supplies"`
}

// parseNotices reads notices.yaml. Errors name the file and the field.
func parseNotices(file []byte) (*noticeSet, error) {
	set, err := readNotices(file)
	if err != nil {
		return nil, fmt.Errorf("notices.yaml: %w", err)
	}
	return set, nil
}

func readNotices(file []byte) (*noticeSet, error) {
	var rows noticeRows
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, err
	}
	if err := rows.check(); err != nil {
		return nil, err
	}
	for _, field := range []struct {
		name string
		row  interface{ check() error }
	}{
		{"signs_above_h.enclosed", rows.SignsAboveH.Enclosed}, {"signs_above_h.outdoors", rows.SignsAboveH.Outdoors},
		{"double", rows.Double}, {"nobody_enters", rows.NobodyEnters}, {"signs_up_before_h", rows.SignsUpBeforeH},
		{"signs_down_within_days", rows.SignsDownWithinDays}, {"display_within_h", rows.DisplayWithinH}, {"display_days", rows.DisplayDays},
	} {
		if err := field.row.check(); err != nil {
			return nil, fmt.Errorf("%s: %w", field.name, err)
		}
	}
	for i, row := range rows.Supplies {
		err := errors.Join(row.check(), whole("above_h", row.AboveH, 0, mostHours))
		last := i == len(rows.Supplies)-1
		if err == nil && ((row.AboveH == 0) != last || (i > 0 && row.AboveH >= rows.Supplies[i-1].AboveH)) {
			err = errors.New("above_h: must fall, to 0 in the last row")
		}
		if err != nil {
			return nil, fmt.Errorf("supplies row %d: %w", i+1, err)
		}
	}
	if len(rows.Supplies) == 0 {
		return nil, errors.New("supplies: must have rows")
	}
	return &noticeSet{
		enclosed: rows.SignsAboveH.Enclosed, outdoors: rows.SignsAboveH.Outdoors, upBefore: rows.SignsUpBeforeH,
		displayWithin: rows.DisplayWithinH, downWithin: rows.SignsDownWithinDays, displayFor: rows.DisplayDays,
		double: rows.Double, nobody: rows.NobodyEnters, supplies: rows.Supplies,
	}, nil
}
