package rules_test

import (
	"testing"

	"velamen/services/treatment/rules"
)

func TestHousesTreatedAreThoseThatTheLotsStandIn(t *testing.T) {
	specify(t, rules.RuleLotsInHouse, false, []rule{
		{name: "all lots in the house", want: ""},
		{name: "no lot in the house", change: func(a *rules.Application) { a.Treatments[0].House = "south" }, want: "warn", says: "south"},
		{name: "a lot elsewhere", change: func(a *rules.Application) { a.Lots[1].House = "south" }, want: "warn", says: "p2 (south)"},
	})
}
