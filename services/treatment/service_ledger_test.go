package treatment_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/rpc/rpctest"
	"velamen/services/treatment"
)

// toLedger returns the last application that was sent to the ledger.
func (n *nursery) toLedger() treatment.ApplicationConfirmed {
	n.t.Helper()
	n.drain()
	require.NotEmpty(n.t, n.applied)
	var event treatment.ApplicationConfirmed
	require.NoError(n.t, json.Unmarshal(n.applied[len(n.applied)-1].Payload, &event))
	return event
}

func TestTheLedgerIsToldWhichRulesAnApplicationWentAgainst(t *testing.T) {
	n, c := openNursery(t)
	program := n.start("phyllosticta-leaf-spot", "leaf-spots")
	c.now = day0.Add(2 * time.Hour)
	n.breach(proposed(program.GetLots()[0], "thio", "10", day0.AddDate(-1, 0, 0)))
	require.Empty(t, n.toLedger().BreachRules, "it was outside a step and broke no rule")

	tooStrong := n.breach(proposed(program.GetLots()[0], "tebu", "30", day0))
	event := n.toLedger()
	require.Contains(t, event.BreachRules, "label-rate-max")
	require.ElementsMatch(t, unique(refused(tooStrong.GetVerdicts())), event.BreachRules)
	require.Empty(t, event.Overrides)

	n.breach(proposed(program.GetLots()[0], "tebu", "10", day0.Add(time.Hour)))
	c.now = c.now.AddDate(0, 0, 1) // until the house, which stays shut, is aired
	for _, key := range []string{"isolate", "disinfect", "prune"} {
		c.now = c.now.Add(2 * time.Hour)
		_, err := n.confirm(program.GetName(), key+"-1", did(key, c.now))
		require.NoError(t, err)
	}
	c.now = c.now.Add(2 * time.Hour)
	spray := did("systemic", c.now)
	spray.Treatments = applied("tebu", "10")
	_, err := n.confirm(program.GetName(), "systemic-1", spray)
	require.Error(t, err)
	rule := "rotation-consecutive"
	spray.Overrides = []*treatmentv1.Override{{Rule: rule, Note: "nothing else in the store, adviser agreed"}}
	_, err = n.treatment.ConfirmStep(asManager(), &treatmentv1.ConfirmStepRequest{
		Name: program.GetName() + "/steps/systemic-1", Confirmation: spray, RequestId: id(),
	})
	require.NoError(t, err)
	event = n.toLedger()
	require.Equal(t, []treatment.OverrideApplied{{
		Rule: rule, Note: "nothing else in the store, adviser agreed", Person: name("people/" + rpctest.Manager.Person),
	}}, event.Overrides)
	require.Empty(t, event.BreachRules)
}

func unique(texts []string) []string {
	seen := map[string]bool{}
	var once []string
	for _, text := range texts {
		if !seen[text] {
			once = append(once, text)
		}
		seen[text] = true
	}
	return once
}
