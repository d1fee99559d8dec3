package duty

import (
	"cmp"
	"fmt"
)

// when are the facts that must hold for a row. A zero value asks for nothing.
type when struct {
	restrictedUse, monthlySummary, electronicAtOnce, tradesInProducts Answer
	doneBy                                                            Performer
}

// whenRow is when as a file has it.
type whenRow struct {
	RestrictedUse    string `yaml:"restricted_use"`
	MonthlySummary   string `yaml:"monthly_summary"`
	ElectronicAtOnce string `yaml:"electronic_at_once"`
	TradesInProducts string `yaml:"trades_in_products"`
	DoneBy           string `yaml:"done_by"`
}

func (r whenRow) read() (when, error) {
	var w when
	for _, field := range []struct {
		name, text string
		into       *Answer
	}{
		{"restricted_use", r.RestrictedUse, &w.restrictedUse},
		{"monthly_summary", r.MonthlySummary, &w.monthlySummary},
		{"electronic_at_once", r.ElectronicAtOnce, &w.electronicAtOnce},
		{"trades_in_products", r.TradesInProducts, &w.tradesInProducts},
	} {
		switch field.text {
		case "":
		case "yes":
			*field.into = Yes
		case "no":
			*field.into = No
		default:
			return when{}, fmt.Errorf("when: %s: %q is not yes or no", field.name, field.text)
		}
	}
	switch r.DoneBy {
	case "":
	case "grower":
		w.doneBy = Grower
	case "business":
		w.doneBy = Business
	default:
		return when{}, fmt.Errorf("when: done_by: %q is not grower or business", r.DoneBy)
	}
	return w, nil
}

// holds says whether the facts of an event meet what a row asks for. excluded says in
// a sentence why they do not. doubts are facts that nobody said and that are taken to
// meet it, because a duty too many harms nobody.
func (w when) holds(e Event) (excluded string, doubts []string) {
	for _, fact := range []struct {
		asked, said  Answer
		not, unknown string
	}{
		{w.restrictedUse, e.RestrictedUse, "no product of the mix is a restricted-use one", "whether a product is a restricted-use one"},
		{w.monthlySummary, e.MonthlySummary, "the use is not filed in a monthly summary", "whether the use is filed in a monthly summary"},
		{w.electronicAtOnce, e.ElectronicAtOnce, "the record was made in the electronic form at once", "whether the record was made in the electronic form at once"},
		{w.tradesInProducts, e.TradesInProducts, "the nursery only uses products", "whether the nursery also produces, supplies, imports or exports products"},
	} {
		switch {
		case fact.asked == NotSaid || fact.said == fact.asked:
		case fact.said == NotSaid:
			doubts = append(doubts, "It was not said "+fact.unknown+"; it is taken to bind.")
		default:
			return "It does not bind because " + fact.not + ".", nil
		}
	}
	switch {
	case w.doneBy == PerformerNotSaid || e.DoneBy == w.doneBy:
	case e.DoneBy == PerformerNotSaid:
		doubts = append(doubts, "It was not said who did the work; it is taken to bind.")
	case w.doneBy == Grower:
		return "It does not bind because a business did the work.", nil
	default:
		return "It does not bind because the nursery did the work itself.", nil
	}
	return "", doubts
}

// meet returns an event with the facts that a row asks for.
func (w when) meet(e Event) Event {
	e.RestrictedUse = cmp.Or(w.restrictedUse, e.RestrictedUse)
	e.MonthlySummary = cmp.Or(w.monthlySummary, e.MonthlySummary)
	e.ElectronicAtOnce = cmp.Or(w.electronicAtOnce, e.ElectronicAtOnce)
	e.TradesInProducts = cmp.Or(w.tradesInProducts, e.TradesInProducts)
	e.DoneBy = cmp.Or(w.doneBy, e.DoneBy)
	return e
}
