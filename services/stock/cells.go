package stock

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"velamen/internal/quantity"
)

// row reads the cells of one record and reports the rules that they break.
type row struct {
	record
	at       map[string]int
	problems *problemList
}

func (r *row) refuse(column, format string, args ...any) {
	r.problems.add(r.line, column, fmt.Sprintf(format, args...))
}

// cell returns the text of a column, empty when the file has no such column or
// when the text breaks the rule for every text.
func (r *row) cell(column string) string {
	i, found := r.at[column]
	if !found {
		return ""
	}
	if err := checkText(r.cells[i]); err != nil {
		r.refuse(column, "%s", err)
		return ""
	}
	return r.cells[i]
}

// filled reports whether a column has any text.
func (r *row) filled(column string) bool {
	i, found := r.at[column]
	return found && r.cells[i] != ""
}

// needed is cell for a column that must be filled; ok is false when a rule was
// reported.
func (r *row) needed(column string) (text string, ok bool) {
	before := r.problems.count
	text = r.cell(column)
	if text == "" && r.problems.count == before {
		r.refuse(column, "must not be empty")
	}
	return text, text != ""
}

func (r *row) text(column string, most int) string {
	return r.atMost(column, r.cell(column), most)
}

func (r *row) neededText(column string, most int) string {
	text, _ := r.needed(column)
	return r.atMost(column, text, most)
}

func (r *row) atMost(column, text string, most int) string {
	if length := utf8.RuneCountInString(text); length > most {
		r.refuse(column, "has %d characters, at most %d fit", length, most)
	}
	return text
}

// Forms of cells, as in the contract.
var (
	idForm          = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)
	eppoForm        = regexp.MustCompile(`^[A-Z0-9]{5,6}$`)
	growthStageForm = regexp.MustCompile(`^[0-9]{2,3}$`)
	moneyForm       = regexp.MustCompile(`^[0-9]{1,12}(\.[0-9]{1,4})?$`)
	currencyForm    = regexp.MustCompile(`^[A-Z]{3}$`)
	wholeForm       = regexp.MustCompile(`^[0-9]{1,12}$`)
)

const idRule = "must be 1 to 40 lower-case letters, digits and hyphens, with no hyphen at either end"

// id returns a resource's id; ok is false when a rule was reported.
func (r *row) id(column string) (id string, ok bool) {
	id, ok = r.needed(column)
	if ok && !idForm.MatchString(id) {
		r.refuse(column, "%q: %s", shown(id), idRule)
		return "", false
	}
	return id, ok
}

// formed returns a text that is empty or has a form.
func (r *row) formed(column string, form *regexp.Regexp, rule string) string {
	text := r.cell(column)
	if text != "" && !form.MatchString(text) {
		r.refuse(column, "%q: %s", shown(text), rule)
	}
	return text
}

// decimal returns a quantity of a unit; an empty cell is none.
func (r *row) decimal(column string, unit quantity.Unit) quantity.Quantity {
	text := r.cell(column)
	if text == "" {
		return quantity.Quantity{}
	}
	q, err := quantity.New(text, unit)
	if err != nil {
		r.refuse(column, "%q is not a plain decimal such as 12.5, with at most 12 digits before and %d after the point",
			shown(text), quantity.Places)
		return quantity.Quantity{}
	}
	return q
}

// amount is decimal for a quantity above zero.
func (r *row) amount(column string, unit quantity.Unit) quantity.Quantity {
	q := r.decimal(column, unit)
	if q.IsZero() {
		return q
	}
	if err := checkMeasure(q, unit); err != nil {
		r.refuse(column, "%s", err)
	}
	return q
}

// coordinate returns a place on the nursery's plan; an empty cell is none.
func (r *row) coordinate(column string) quantity.Quantity {
	q := r.decimal(column, quantity.Metre)
	if q.IsZero() {
		return q
	}
	if err := checkCoordinate(q); err != nil {
		r.refuse(column, "%s", err)
	}
	return q
}

func (r *row) neededAmount(column string, unit quantity.Unit) quantity.Quantity {
	if _, ok := r.needed(column); !ok {
		return quantity.Quantity{}
	}
	return r.amount(column, unit)
}

// whole returns a whole number between two others.
func (r *row) whole(column string, least, most int64) int64 {
	text, ok := r.needed(column)
	if !ok {
		return 0
	}
	number, err := strconv.ParseInt(text, 10, 64)
	if err != nil || !wholeForm.MatchString(text) || number < least || number > most {
		r.refuse(column, "%q: must be a whole number from %d to %d", shown(text), least, most)
	}
	return number
}

// flag returns true or false; an empty cell is false.
func (r *row) flag(column string) bool {
	text := r.cell(column)
	if text != "" && text != "true" && text != "false" {
		r.refuse(column, "%q: must be true or false", shown(text))
	}
	return text == "true"
}

// oneOf returns what a word stands for; an empty cell stands for the zero value.
func oneOf[V any](r *row, column string, words []word[V]) V {
	text := r.cell(column)
	names := make([]string, len(words))
	for i, w := range words {
		if w.name == text {
			return w.value
		}
		names[i] = w.name
	}
	var none V
	if text != "" {
		r.refuse(column, "%q: must be one of %s", shown(text), strings.Join(names, ", "))
	}
	return none
}

// word is how a file writes a value.
type word[V any] struct {
	name  string
	value V
}
