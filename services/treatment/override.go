package treatment

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/treatment/rules"
)

// settle decides over the refusals of an application: each must be overridden by
// the caller, an owner or a manager, with the reason why, and may be. It returns
// the overrides with the person who answers for them.
func settle(verdicts []rules.Verdict, c confirming) ([]*treatmentv1.Override, error) {
	refused := rules.Refusals(verdicts)
	overrides, err := checkOverrides(refused, c)
	if err != nil {
		return nil, err
	}
	left := slices.DeleteFunc(refused, func(v rules.Verdict) bool {
		return v.Overridable && slices.ContainsFunc(overrides, func(o *treatmentv1.Override) bool { return o.GetRule() == v.Rule })
	})
	if len(left) > 0 {
		return nil, refusal(left)
	}
	return overrides, nil
}

// checkOverrides refuses overrides by people who may not decide, of rules that do
// not refuse, and of rules that nobody may override.
func checkOverrides(refused []rules.Verdict, c confirming) ([]*treatmentv1.Override, error) {
	given := c.confirmation.GetOverrides()
	if len(given) == 0 {
		return nil, nil
	}
	if !mayOverride(c.caller) {
		return nil, fault.New(fault.Denied, fault.PermissionDenied, "only an owner or a manager may override a rule").
			With("person", c.caller.Person)
	}
	overrides := make([]*treatmentv1.Override, len(given))
	for i, override := range given {
		at := fmt.Sprintf("%s.overrides[%d]", c.path, i)
		broken := slices.DeleteFunc(slices.Clone(refused), func(v rules.Verdict) bool { return v.Rule != override.GetRule() })
		if len(broken) == 0 {
			return nil, fault.Field(at+".rule", "the rule %q does not refuse this application", override.GetRule()).With("rule", override.GetRule())
		}
		if slices.ContainsFunc(broken, func(v rules.Verdict) bool { return !v.Overridable }) {
			return nil, fault.FieldReason(fault.Precondition, fault.RuleRefuses, at+".rule", "nobody may override %q: %s", override.GetRule(), broken[0].Message).
				With("rule", override.GetRule())
		}
		overrides[i] = &treatmentv1.Override{
			Rule: override.GetRule(), Note: override.GetNote(),
			Person: resource.Of("nurseries", c.caller.Nursery, "people", c.caller.Person),
		}
	}
	return overrides, nil
}

// answeredFor returns a confirmation with who answers for its overrides.
func answeredFor(c *treatmentv1.Confirmation, overrides []*treatmentv1.Override) *treatmentv1.Confirmation {
	if len(overrides) == 0 {
		return c
	}
	answered := proto.CloneOf(c)
	answered.Overrides = overrides
	return answered
}

func mayOverride(caller rpc.Principal) bool {
	return caller.Role == identityv1.Role_ROLE_OWNER || caller.Role == identityv1.Role_ROLE_MANAGER
}

// leading are the refusals that clients act on in their own way, the gravest
// first. All others are RULE_REFUSES with the rule in the metadata.
var leading = []struct {
	rule   string
	reason fault.Reason
}{
	{rules.RuleLabelUse, fault.LabelUseNotListed},
	{rules.RuleLabelFactMissing, fault.LabelFactMissing},
	{rules.RuleLabelRateMax, fault.LabelRateExceeded},
	{rules.RuleCertifiedApplicator, fault.CertificateMissing},
	{rules.RuleHandlerTraining, fault.PersonUnqualified},
	{rules.RuleHandlerAge, fault.PersonUnqualified},
	{rules.RuleRespiratorFitness, fault.PersonUnqualified},
	{rules.RuleStepCandidate, fault.ProductNotCandidate},
	{rules.RuleRotationRoundBefore, fault.ResistanceGroupRepeated},
	{RuleRelease, fault.ReleaseUnproven},
}

// lead moves the gravest refusal to the front and returns its reason.
func lead(refused []rules.Verdict) ([]rules.Verdict, fault.Reason) {
	for _, l := range leading {
		i := slices.IndexFunc(refused, func(v rules.Verdict) bool { return v.Rule == l.rule })
		if i >= 0 {
			return slices.Concat(refused[i:i+1], refused[:i], refused[i+1:]), l.reason
		}
	}
	return refused, fault.RuleRefuses
}

// refusal is the fault of the gravest verdict that refuses; the others stand
// beside it, so that nobody mends one only to meet the next.
func refusal(refused []rules.Verdict) error {
	refused, reason := lead(refused)
	first := refused[0]
	var names []string
	for _, v := range refused {
		if !slices.Contains(names, v.Rule) {
			names = append(names, v.Rule)
		}
	}
	f := fault.FieldReason(fault.Precondition, reason, first.Field, "%s", first.Message).
		With("rule", first.Rule).With("rules", strings.Join(names, ",")).With("source", first.Source)
	for _, v := range refused[1:] {
		f.Violations = append(f.Violations, fault.Violation{Field: v.Field, Rule: v.Message})
	}
	if first.Product != "" {
		f = f.With("product", first.Product)
	}
	if !first.Earliest.IsZero() {
		f = f.With("earliest", first.Earliest.UTC().Format(time.RFC3339))
	}
	if len(first.Alternatives) > 0 {
		f = f.With("alternatives", strings.Join(first.Alternatives, "; "))
	}
	if first.Overridable {
		f = f.With("overridable", "true")
	}
	for _, number := range first.Numbers {
		f = f.With(strings.ReplaceAll(number.Name, " ", "_"), number.Value)
	}
	return f
}
