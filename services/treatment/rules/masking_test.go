package rules_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/treatment/rules"
)

func TestNothingHidesSignsWhileAnAuthorityHoldsTheLot(t *testing.T) {
	held := func(a *rules.Application) {
		a.Lots[1].OfficialHolds = []rules.OfficialHold{{Duty: "nurseries/test/duties/d-1", Disorder: "ramorum-blight", Class: oomycete}}
	}
	specify(t, rules.RuleOfficialMasking, false, []rule{
		{name: "not held", of: of("metalaxyl"), want: ""},
		{name: "against oomycetes", of: of("metalaxyl"), change: held, want: "refuse", says: "holds lot p2 for ramorum-blight"},
		{name: "against oomycetes among others", of: of("mancozeb"), change: held, want: "refuse", says: "class oomycete"},
		{name: "in a mix", of: of("thiophanate-methyl", "metalaxyl"), change: held, want: "refuse", says: "Metalaxyl"},
		{name: "against fungi only", of: of("thiophanate-methyl"), change: held, want: "pass"},
	})
	a := of("metalaxyl")()
	held(&a)
	a.Candidates = []string{"metalaxyl", "thiophanate-methyl"}
	v, _ := verdictOn(t, a, nil, rules.RuleOfficialMasking)
	require.Equal(t, []string{"thiophanate-methyl (group 1)"}, v.Alternatives)
}
