package rules_test

import (
	"testing"

	"velamen/services/treatment/rules"
)

func TestWhatIsTreatedIsWhatTheBooksKnow(t *testing.T) {
	specify(t, rules.RuleLotsInHouse, true, []rule{
		{name: "all lots in the house", want: ""},
		{name: "no lot in the house", change: func(a *rules.Application) { a.Treatments[0].House = "south" }, want: "refuse", says: "south"},
		{name: "a lot elsewhere", change: func(a *rules.Application) { a.Lots[1].House = "south" }, want: "warn", says: "p2 (south)"},
		{name: "a house without lots beside one with", change: func(a *rules.Application) {
			second := a.Treatments[0]
			second.Field, second.House = "treatments[1]", "south"
			a.Treatments = append(a.Treatments, second)
		}, want: "warn", says: "south"},
	})
	specify(t, rules.RuleAreaOfHouse, true, []rule{
		{name: "the house's area is not known", want: ""},
		{name: "as large as the house", change: func(a *rules.Application) { a.Treatments[0].HouseArea = amount("20 m2") }, want: ""},
		{name: "larger than the house", change: func(a *rules.Application) { a.Treatments[0].HouseArea = amount("19.9 m2") }, want: "refuse", says: "19.9 m2"},
		{name: "larger in other units", change: func(a *rules.Application) {
			a.Treatments[0].Area, a.Treatments[0].HouseArea = amount("1 acre"), amount("0.4 ha")
		}, want: "refuse", says: "1 acre"},
	})
	specify(t, rules.RulePlantsOfLots, true, []rule{
		{name: "plants on hand are not known", want: ""},
		{name: "as many as there are", change: func(a *rules.Application) { a.Lots[0].Plants, a.Lots[1].Plants = 150, 50 }, want: ""},
		{name: "more than there are", change: func(a *rules.Application) { a.Lots[0].Plants, a.Lots[1].Plants = 150, 49 }, want: "refuse", says: "199"},
	})
}
