package duty

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"velamen/internal/rulefile"
)

// deadlineSet is what deadlines.yaml says.
type deadlineSet struct {
	rules      []deadlineRule
	deferrals  []deferral
	extensions []extension
}

// deadlineRule is a row: one thing that a law asks for, and by when.
type deadlineRule struct {
	id, law         string
	duty            Duty
	what, whose, to string
	atOnce          bool
	hours, days     int
	dayOfNextMonth  int
	from            start
	holdsUntil      bool
	nilMonth        bool
	usesFrom        string
	when            when
	note, source    string
	verified        bool
}

// deferral is a state that puts a deadline off.
type deferral struct {
	deadline, law, usesBefore, says, source string
	verified                                bool
}

// extension is a longer time that a state may allow.
type extension struct {
	deadline, usesBefore, says, source string
	verified                           bool
	month                              time.Month
	day                                int
}

type deadlineRow struct {
	ID             string  `yaml:"id"`
	Law            string  `yaml:"law"`
	Duty           Duty    `yaml:"duty"`
	What           string  `yaml:"what"`
	Whose          string  `yaml:"whose"`
	To             string  `yaml:"to"`
	AtOnce         bool    `yaml:"at_once"`
	Hours          int     `yaml:"hours"`
	Days           int     `yaml:"days"`
	DayOfNextMonth int     `yaml:"day_of_next_month"`
	CountsFrom     start   `yaml:"counts_from"`
	HoldsUntil     bool    `yaml:"holds_until"`
	NilMonth       bool    `yaml:"nil_month"`
	UsesFrom       string  `yaml:"uses_from"`
	When           whenRow `yaml:"when"`
	Note           string  `yaml:"note"`
	origin         `yaml:",inline"`
}

type deferralRow struct {
	Deadline   string `yaml:"deadline"`
	Law        string `yaml:"law"`
	UsesBefore string `yaml:"uses_before"`
	Says       string `yaml:"says"`
	origin     `yaml:",inline"`
}

type extensionRow struct {
	Deadline          string `yaml:"deadline"`
	UsesBefore        string `yaml:"uses_before"`
	LastDayOfNextYear string `yaml:"last_day_of_next_year"`
	Says              string `yaml:"says"`
	origin            `yaml:",inline"`
}

// Longest times of a row; more is a typing error.
const (
	mostHours = 366 * 24
	mostDays  = 366
	// every month has this day
	lastDayOfAnyMonth = 28
)

func parseDeadlines(file []byte) (deadlineSet, error) {
	var rows struct {
		head       `yaml:",inline"`
		Deadlines  []deadlineRow  `yaml:"deadlines"`
		Deferrals  []deferralRow  `yaml:"deferrals"`
		Extensions []extensionRow `yaml:"extensions"`
	}
	if err := rulefile.Decode(file, &rows); err != nil {
		return deadlineSet{}, err
	}
	if err := rows.check(); err != nil {
		return deadlineSet{}, err
	}
	var set deadlineSet
	seen := map[string]bool{}
	for i, row := range rows.Deadlines {
		rule, err := row.rule(seen)
		if err != nil {
			return deadlineSet{}, fmt.Errorf("deadlines row %d (%q): %w", i+1, row.ID, err)
		}
		set.rules = append(set.rules, rule)
	}
	for i, row := range rows.Deferrals {
		read, err := row.deferral(set)
		if err != nil {
			return deadlineSet{}, fmt.Errorf("deferrals row %d (%q): %w", i+1, row.Deadline, err)
		}
		set.deferrals = append(set.deferrals, read)
	}
	for i, row := range rows.Extensions {
		read, err := row.extension(set)
		if err != nil {
			return deadlineSet{}, fmt.Errorf("extensions row %d (%q): %w", i+1, row.Deadline, err)
		}
		set.extensions = append(set.extensions, read)
	}
	return set, nil
}

func (row deadlineRow) rule(seen map[string]bool) (deadlineRule, error) {
	if err := checkRow(row.ID, row.Law, row.origin, seen); err != nil {
		return deadlineRule{}, err
	}
	if err := row.checkTime(); err != nil {
		return deadlineRule{}, err
	}
	conditions, err := row.When.read()
	if err != nil {
		return deadlineRule{}, err
	}
	switch {
	case !slices.Contains(duties, row.Duty):
		return deadlineRule{}, fmt.Errorf("duty: %q is none", row.Duty)
	case row.What == "" || row.Whose == "":
		return deadlineRule{}, errors.New("what, whose: must be given")
	case row.HoldsUntil != (row.Duty == KeepDisplayed):
		return deadlineRule{}, fmt.Errorf("holds_until: goes with %s only", KeepDisplayed)
	case row.NilMonth != (row.Duty == NegativeReport):
		return deadlineRule{}, fmt.Errorf("nil_month: goes with %s only", NegativeReport)
	case row.NilMonth && row.CountsFrom != wholeMonth:
		return deadlineRule{}, errors.New("nil_month: counts from the month")
	}
	if row.UsesFrom != "" {
		if err := rulefile.CheckDay("uses_from", row.UsesFrom); err != nil {
			return deadlineRule{}, err
		}
	}
	return deadlineRule{
		id: row.ID, law: row.Law, duty: row.Duty, what: row.What, whose: row.Whose, to: row.To,
		atOnce: row.AtOnce, hours: row.Hours, days: row.Days, dayOfNextMonth: row.DayOfNextMonth, from: row.CountsFrom,
		holdsUntil: row.HoldsUntil, nilMonth: row.NilMonth, usesFrom: row.UsesFrom, when: conditions,
		note: row.Note, source: row.Source, verified: row.verified(),
	}, nil
}

// checkTime holds a row to one time, and to a beginning that goes with it: hours and
// at once need a moment, a day of the next month needs a month.
func (row deadlineRow) checkTime() error {
	given := 0
	for _, is := range []bool{row.AtOnce, row.Hours != 0, row.Days != 0, row.DayOfNextMonth != 0} {
		if is {
			given++
		}
	}
	switch {
	case given != 1:
		return errors.New("at_once, hours, days, day_of_next_month: exactly one must be given")
	case row.Hours < 0 || row.Hours > mostHours:
		return fmt.Errorf("hours: must be from 1 to %d", mostHours)
	case row.Days < 0 || row.Days > mostDays:
		return fmt.Errorf("days: must be from 1 to %d", mostDays)
	case row.DayOfNextMonth < 0 || row.DayOfNextMonth > lastDayOfAnyMonth:
		return fmt.Errorf("day_of_next_month: must be from 1 to %d", lastDayOfAnyMonth)
	}
	allowed := []start{applicationEnd, restrictedEntryEnd, request}
	switch {
	case row.Days != 0:
		allowed = []start{applicationStartDay, applicationEndDay, applicationEnd, restrictedEntryEnd, requestDay}
	case row.DayOfNextMonth != 0:
		allowed = []start{wholeMonth}
	}
	if !slices.Contains(allowed, row.CountsFrom) {
		return fmt.Errorf("counts_from: %q must be one of %v", row.CountsFrom, allowed)
	}
	return nil
}

func (row deferralRow) deferral(set deadlineSet) (deferral, error) {
	if err := checkState(set, row.Deadline, row.UsesBefore, row.Says, row.origin); err != nil {
		return deferral{}, err
	}
	if err := checkRow(row.Deadline, row.Law, row.origin, map[string]bool{}); err != nil {
		return deferral{}, err
	}
	return deferral{
		deadline: row.Deadline, law: row.Law, usesBefore: row.UsesBefore, says: row.Says, source: row.Source, verified: row.verified(),
	}, nil
}

func (row extensionRow) extension(set deadlineSet) (extension, error) {
	if err := checkState(set, row.Deadline, row.UsesBefore, row.Says, row.origin); err != nil {
		return extension{}, err
	}
	day, err := time.Parse("01-02", row.LastDayOfNextYear)
	if err != nil || day.Day() > lastDayOfAnyMonth+2 {
		return extension{}, fmt.Errorf("last_day_of_next_year: %q is not a month and day (MM-DD, at most the 30th)", row.LastDayOfNextYear)
	}
	return extension{
		deadline: row.Deadline, usesBefore: row.UsesBefore, says: row.Says, source: row.Source, verified: row.verified(),
		month: day.Month(), day: day.Day(),
	}, nil
}

// checkState refuses what a state is said to do to a deadline that is none.
func checkState(set deadlineSet, id, usesBefore, says string, o origin) error {
	if !slices.ContainsFunc(set.rules, func(rule deadlineRule) bool { return rule.id == id }) {
		return fmt.Errorf("deadline: there is no %q", id)
	}
	if says == "" {
		return errors.New("says: must be given")
	}
	if err := rulefile.CheckDay("uses_before", usesBefore); err != nil {
		return err
	}
	return o.check()
}
