package duty

import (
	"errors"
	"fmt"
	"slices"

	"velamen/internal/quantity"
	"velamen/internal/rulefile"
)

// retentionRule is a row: how long a law has one kind of record kept.
type retentionRule struct {
	id, law      string
	record       Kind
	years        int
	notKnown     bool
	from         start
	when         when
	note, source string
	verified     bool
}

type retentionRow struct {
	ID         string  `yaml:"id"`
	Law        string  `yaml:"law"`
	Record     Kind    `yaml:"record"`
	Years      int     `yaml:"years"`
	NotKnown   bool    `yaml:"not_known"`
	CountsFrom start   `yaml:"counts_from"`
	When       whenRow `yaml:"when"`
	Note       string  `yaml:"note"`
	origin     `yaml:",inline"`
}

// mostYears is more than any law keeps such records; more is a typing error.
const mostYears = 100

func parseRetention(file []byte) ([]retentionRule, error) {
	var rows struct {
		head      `yaml:",inline"`
		Retention []retentionRow `yaml:"retention"`
	}
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, err
	}
	if err := rows.check(); err != nil {
		return nil, err
	}
	var rules []retentionRule
	seen := map[string]bool{}
	for i, row := range rows.Retention {
		rule, err := row.rule(seen)
		if err != nil {
			return nil, fmt.Errorf("retention row %d (%q): %w", i+1, row.ID, err)
		}
		rules = append(rules, rule)
	}
	return rules, nil
}

func (row retentionRow) rule(seen map[string]bool) (retentionRule, error) {
	if err := checkRow(row.ID, row.Law, row.origin, seen); err != nil {
		return retentionRule{}, err
	}
	conditions, err := row.When.read()
	if err != nil {
		return retentionRule{}, err
	}
	starts := []start{applicationEndDay, restrictedEntryEnd, recordDay}
	switch {
	case !slices.Contains(kinds, row.Record):
		return retentionRule{}, fmt.Errorf("record: %q is no kind of record", row.Record)
	case row.NotKnown && (row.Years != 0 || row.CountsFrom != "" || row.Note == ""):
		return retentionRule{}, errors.New("not_known: goes without years and counts_from, and with a note that says whom to ask")
	case !row.NotKnown && (row.Years < 1 || row.Years > mostYears):
		return retentionRule{}, fmt.Errorf("years: must be from 1 to %d", mostYears)
	case !row.NotKnown && !slices.Contains(starts, row.CountsFrom):
		return retentionRule{}, fmt.Errorf("counts_from: %q must be one of %v", row.CountsFrom, starts)
	}
	return retentionRule{
		id: row.ID, law: row.Law, record: row.Record, years: row.Years, notKnown: row.NotKnown, from: row.CountsFrom,
		when: conditions, note: row.Note, source: row.Source, verified: row.verified(),
	}, nil
}

// shortForm is where a law has a shorter record of a spot application.
type shortForm struct {
	id, law  string
	below    quantity.Quantity
	neverIn  []Site
	never    bool
	source   string
	verified bool
}

type shortFormRow struct {
	ID      string `yaml:"id"`
	Law     string `yaml:"law"`
	Below   string `yaml:"below"`
	NeverIn []Site `yaml:"never_in"`
	Never   bool   `yaml:"never"`
	origin  `yaml:",inline"`
}

func parseShortForms(file []byte) ([]shortForm, error) {
	var rows struct {
		head       `yaml:",inline"`
		ShortForms []shortFormRow `yaml:"short_forms"`
	}
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, err
	}
	if err := rows.check(); err != nil {
		return nil, err
	}
	var forms []shortForm
	seen := map[string]bool{}
	for i, row := range rows.ShortForms {
		form, err := row.form(seen)
		if err != nil {
			return nil, fmt.Errorf("short_forms row %d (%q): %w", i+1, row.ID, err)
		}
		forms = append(forms, form)
	}
	return forms, nil
}

func (row shortFormRow) form(seen map[string]bool) (shortForm, error) {
	if err := checkRow(row.ID, row.Law, row.origin, seen); err != nil {
		return shortForm{}, err
	}
	if row.Never == (row.Below != "") {
		return shortForm{}, errors.New("below, never: one of them must be given")
	}
	form := shortForm{id: row.ID, law: row.Law, neverIn: row.NeverIn, never: row.Never, source: row.Source, verified: row.verified()}
	for _, site := range row.NeverIn {
		if !slices.Contains(sites, site) {
			return shortForm{}, fmt.Errorf("never_in: %q is no site", site)
		}
	}
	if row.Never {
		return form, nil
	}
	var err error
	if form.below, err = quantity.Parse(row.Below); err != nil {
		return shortForm{}, fmt.Errorf("below: %w", err)
	}
	if !quantity.Convertible(form.below.Unit, quantity.SquareMetre) || !form.below.Positive() {
		return shortForm{}, fmt.Errorf("below: %q is not an area above 0", row.Below)
	}
	return form, nil
}
