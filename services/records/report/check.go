package report

import (
	"cmp"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"velamen/internal/quantity"
)

// What stands in a report where a fact is not plain. A required field is never
// blank.
const (
	Missing     = "MISSING"
	Doubtful    = "DOUBTFUL"
	NotGiven    = "not given"
	NotRequired = "not required"
)

// Problem says what is wrong with a field.
type Problem string

// The problems.
const (
	IsMissing  Problem = "missing"
	IsDoubtful Problem = "doubtful"
)

// Gap is a field of a report that is missing or doubtful, with the rule that asks
// for it and where it is put right.
type Gap struct {
	// Use is the entry; empty where the fact is one of the nursery.
	Use string `json:"use"`
	// Field names the fact and Title is what the law calls it.
	Field   string  `json:"field"`
	Title   string  `json:"title"`
	Problem Problem `json:"problem"`
	// Reason is a sentence for a person.
	Reason string `json:"reason"`
	// Section is the rule, and Source says where it was read or that it is from memory.
	Section string `json:"section"`
	Source  string `json:"source"`
	// Fix is the resource on which the fact is entered, FixField the field of it, and
	// FixCommand what enters it; empty where no command can.
	Fix        string `json:"fix"`
	FixField   string `json:"fix_field"`
	FixCommand string `json:"fix_command,omitempty"`
}

// PutRight says where the gap is put right, for a person.
func (g Gap) PutRight() string {
	text := g.Fix + ", " + g.FixField
	if g.FixCommand != "" {
		text += ": " + g.FixCommand
	}
	return text
}

// Check lists every field of a kind that is missing or doubtful: those of the
// nursery first, then those of the uses in their order. Uses that the kind does not
// cover, and those that another entry corrects, are passed over.
func Check(kind Kind, nursery Nursery, uses []Use) []Gap {
	gaps := nurseryGaps(kind, nursery)
	for _, field := range kind.Fields {
		if !facts[field.Fact].head {
			continue
		}
		if _, gap := judge(field, nursery, Use{}); gap != nil {
			gaps = append(gaps, *gap)
		}
	}
	for _, use := range uses {
		if !kind.covers(use) {
			continue
		}
		for _, field := range kind.Fields {
			if facts[field.Fact].head {
				continue
			}
			if _, gap := judge(field, nursery, use); gap != nil {
				gaps = append(gaps, *gap)
			}
		}
	}
	return gaps
}

// nurseryGaps are about what decides whether the report may be made at all: the law
// and the zone.
func nurseryGaps(kind Kind, nursery Nursery) []Gap {
	var gaps []Gap
	add := func(field, title, reason string, fix mending) {
		mend := fix(nursery, Use{})
		gaps = append(gaps, Gap{
			Field: field, Title: title, Problem: IsMissing, Reason: reason, Section: kind.Section,
			Source: "no report can be made without it", Fix: mend.Resource, FixField: mend.Field, FixCommand: mend.Command,
		})
	}
	if err := kind.Applies(nursery.Jurisdiction); err != nil {
		add("law", "Jurisdiction of the nursery", sentence(err.Error()), onNursery("jurisdiction", "CODE"))
	}
	if nursery.Zone == nil {
		add("time-zone", "Time zone of the nursery", "The nursery has no time zone, so no local day can be told.", onNursery("time_zone", "ZONE"))
	}
	return gaps
}

// covers reports whether a use belongs into a report of the kind.
func (k Kind) covers(use Use) bool {
	return use.CorrectedBy == "" && (use.RestrictedUse || !k.RestrictedOnly)
}

// judge lays one field out and says what is wrong with it.
func judge(field Field, nursery Nursery, use Use) (Cell, *Gap) {
	known := facts[field.Fact]
	if known.of == ofTime || field.Fact == "date" {
		if nursery.Zone == nil {
			return Cell{State: StateMissing, Text: Missing}, nil
		}
	}
	v := known.read(nursery, use)
	need := needed(field, use)
	gap := func(problem Problem, reason string) *Gap {
		mend := known.mend(field, problem, need)(nursery, use)
		return &Gap{
			Use: use.Entry, Field: field.Fact, Title: field.Title, Problem: problem, Reason: sentence(reason),
			Section: field.Section, Source: field.Cited(), Fix: mend.Resource, FixField: mend.Field, FixCommand: mend.Command,
		}
	}
	switch {
	case v.empty() && need == No:
		return Cell{State: StateNotRequired, Text: NotRequired}, nil
	case v.empty() && v.lacks == "" && field.Need == optional:
		return Cell{State: StateNotGiven, Text: NotGiven}, nil
	case v.empty():
		return Cell{State: StateMissing, Text: Missing + known.meanwhile}, gap(IsMissing, cmp.Or(v.lacks, whyNeeded(field, need)))
	}
	cell, doubt := layOut(field, known.of, v, nursery)
	if v.lacks != "" {
		cell.State = StateMissing
		return cell, gap(IsMissing, v.lacks)
	}
	if doubt != "" {
		cell.State = StateDoubtful
		cell.Text += " " + Doubtful
		return cell, gap(IsDoubtful, doubt)
	}
	return cell, nil
}

// needed says whether a field is required for a use. Where the condition is not known, the
// field is asked for: a rule is not passed over because nobody answered.
func needed(field Field, use Use) Answer {
	condition, found := conditions[field.Need]
	if !found {
		return Yes
	}
	return condition.ask(use)
}

// whyNeeded says why a field that is missing is a gap.
func whyNeeded(field Field, need Answer) string {
	condition, found := conditions[field.Need]
	switch {
	case !found:
		return fmt.Sprintf("%s is required and nobody gave it", field.Title)
	case need == Yes:
		return fmt.Sprintf("%s is required when %s, and nobody gave it", field.Title, condition.words)
	default:
		return fmt.Sprintf("%s is required when %s; whether that is so is not known", field.Title, condition.words)
	}
}

// layOut makes the cell of a fact that is given, and says what speaks against it.
func layOut(field Field, of shape, v value, nursery Nursery) (Cell, string) {
	switch of {
	case ofQuantity:
		return layOutQuantity(field, v)
	case ofTime:
		local := v.moment.In(nursery.Zone)
		return Cell{State: StateGiven, Text: local.Format(minute), Time: &local}, v.doubt
	case ofList:
		cell := Cell{State: StateGiven, Text: joined(v.items), Items: v.items}
		for _, item := range v.items {
			if item != Missing && field.form != nil && !field.form.MatchString(item) {
				return cell, fmt.Sprintf("%q: %s", item, field.FormRule)
			}
		}
		return cell, v.doubt
	default:
		if field.form != nil && !field.form.MatchString(v.text) {
			v.doubt = fmt.Sprintf("%q: %s", v.text, field.FormRule)
		}
		return Cell{State: StateGiven, Text: v.text}, v.doubt
	}
}

// minute is how a local time is read; the offset stays, since an hour comes twice when
// the clocks go back.
const minute = "2006-01-02 15:04 -07:00"

func layOutQuantity(field Field, v value) (Cell, string) {
	q, code, fits := inUnits(v.quantity, field.Units)
	if !fits {
		cell := quantityCell(v.quantity, string(v.quantity.Unit))
		codes := make([]string, len(field.Units))
		for i, unit := range field.Units {
			codes[i] = unit.Code
		}
		return cell, fmt.Sprintf("%s cannot be given in a unit of the rule: %s", v.quantity, strings.Join(codes, ", "))
	}
	cell := quantityCell(q, code)
	if q.Unit != v.quantity.Unit {
		cell.Recorded = v.quantity.String()
		cell.Text += fmt.Sprintf(" (recorded: %s)", v.quantity)
	}
	return cell, v.doubt
}

func quantityCell(q quantity.Quantity, code string) Cell {
	return Cell{State: StateGiven, Text: q.Plain() + " " + code, Amount: q.Plain(), Unit: code}
}

// joined puts the items of a list into one text. A semicolon or backslash in an item
// has a backslash before it, so that a machine can take the list apart again.
func joined(items []string) string {
	escaped := make([]string, len(items))
	for i, item := range items {
		escaped[i] = inList.Replace(item)
	}
	return strings.Join(escaped, "; ")
}

var inList = strings.NewReplacer(`\`, `\\`, `;`, `\;`)

// sentence begins a text with a capital and ends it with a full stop.
func sentence(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[size:] + "."
}
