package rules_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/identity"
	"velamen/services/treatment/rules"
)

// holding replaces what the applicator has of a kind.
func holding(kind identityv1.QualificationKind, held ...identity.Qualification) func(*rules.Application) {
	return func(a *rules.Application) {
		others := slices.DeleteFunc(slices.Clone(a.Applicator.Qualifications), func(q identity.Qualification) bool { return q.Kind == kind })
		for _, q := range held {
			q.Kind = kind
			others = append(others, q)
		}
		a.Applicator.Qualifications = others
	}
}

// in makes changes to an application under a law.
func in(law string, changes ...func(*rules.Application)) func(*rules.Application) {
	return func(a *rules.Application) {
		a.Jurisdiction = law
		for _, change := range changes {
			change(a)
		}
	}
}

func asksFor(respirator productsv1.LabelAnswer) func(*rules.Application) {
	return func(a *rules.Application) { onlyLine(a).Product.Respirator = respirator }
}

// overnight is work from 14 June 23:00 to 15 June 01:00.
func overnight(a *rules.Application) { a.Start, a.End = at("2026-06-14 23:00"), at("2026-06-15 01:00") }

// 40 CFR 170.501: handlers are trained within 12 months before they handle pesticides.
// From memory.
func TestHandlersAreTrainedOnEveryDayOfTheWorkPublished(t *testing.T) {
	trained := func(day, end string) func(*rules.Application) {
		return holding(identity.HandlerTraining, identity.Qualification{Date: day, EndDate: end})
	}
	specify(t, rules.RuleHandlerTraining, false, []rule{
		{name: "trained", want: "pass"},
		{name: "its last day", change: trained("2025-06-16", "2026-06-15"), want: "pass"},
		{name: "a day after", change: trained("2025-06-15", "2026-06-14"), want: "refuse", says: "Ada has no handler training that counts on 2026-06-15: the last one counted until 2026-06-14"},
		{name: "to come", change: trained("2026-06-16", "2027-06-15"), want: "refuse", says: "none is on record"},
		{name: "never", change: holding(identity.HandlerTraining), want: "refuse", says: "none is on record"},
		{name: "a state", change: in("US-CA", holding(identity.HandlerTraining)), want: "refuse"},
		{name: "elsewhere", change: in("ZA", holding(identity.HandlerTraining)), want: "warn", says: "none is on record"},
		{name: "elsewhere trained", change: in("ZA"), want: "pass"},
		{name: "worker training is less", change: func(a *rules.Application) {
			holding(identity.HandlerTraining)(a)
			holding(identity.WorkerTraining, identity.Qualification{Date: "2026-03-01", EndDate: "2027-02-28"})(a)
		}, want: "refuse"},
		{name: "over midnight", change: in("US", overnight, trained("2025-06-15", "2026-06-14")), want: "refuse", says: "2026-06-14 to 2026-06-15"},
		{name: "to midnight", change: func(a *rules.Application) {
			overnight(a)
			a.End = at("2026-06-15 00:00")
			trained("2025-06-15", "2026-06-14")(a)
		}, want: "pass"},
	})
}

// 40 CFR 170.309(c), from memory, and WAC 16-233-021(3): handlers are at least 18.
func TestHandlersAreOfAgePublished(t *testing.T) {
	eighteen := func(day string) func(*rules.Application) {
		return holding(identity.FullAge, identity.Qualification{Date: day})
	}
	specify(t, rules.RuleHandlerAge, false, []rule{
		{name: "on the day", change: eighteen("2026-06-15"), want: "pass"},
		{name: "the day before", change: eighteen("2026-06-16"), want: "refuse", says: "Ada is on record as not yet 18 on 2026-06-15"},
		{name: "elsewhere", change: in("DE", eighteen("2026-06-16")), want: "warn", says: "not yet 18"},
		{name: "not on record", change: holding(identity.FullAge), want: "warn", says: "whether Ada is at least 18 is not on record"},
		{name: "not on record elsewhere", change: in("DE", holding(identity.FullAge)), want: "warn"},
		{name: "18 at midnight", change: in("US", overnight, eighteen("2026-06-15")), want: "refuse"},
	})
}

// 40 CFR 170.507: medical clearance and a fit test of the last year. From memory.
func TestARespiratorIsForWhoIsClearedAndFitTestedPublished(t *testing.T) {
	yes, not := asksFor(productsv1.LabelAnswer_LABEL_ANSWER_YES), holding(identity.FitTest, identity.Qualification{Date: "2025-06-15", EndDate: "2026-06-14"})
	specify(t, rules.RuleRespiratorFitness, false, []rule{
		{name: "no respirator", want: ""},
		{name: "not entered", change: asksFor(productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED), want: "warn", says: "whether the label of Mancozeb asks for a respirator is not entered"},
		{name: "fit", change: yes, want: "pass"},
		{name: "fit test over", change: in("US", yes, not), want: "refuse", says: "no fit test that counts on 2026-06-15 (the last one counted until 2026-06-14)"},
		{name: "not cleared", change: in("US", yes, holding(identity.MedicalClearance)), want: "refuse", says: "Ada has no medical clearance that counts on 2026-06-15 (none is on record)"},
		{name: "neither", change: in("US", yes, holding(identity.MedicalClearance), holding(identity.FitTest)), want: "refuse", says: "medical clearance that counts on 2026-06-15 (none is on record) and no fit test"},
		{name: "elsewhere", change: in("ZA", yes, not), want: "warn", says: "no fit test"},
	})
}

func TestEquipmentThatTheLabelAsksForIsOnRecordAsHandedOut(t *testing.T) {
	gloves := func(a *rules.Application) { label(a).ProtectiveEquipment = "gloves and boots." }
	specify(t, rules.RuleEquipmentIssued, false, []rule{
		{name: "none asked for", change: holding(identity.EquipmentIssue), want: ""},
		{name: "handed out", change: gloves, want: "pass"},
		{name: "not on record", change: in("US", gloves, holding(identity.EquipmentIssue)), want: "warn", says: "handed out to Ada; the label of Mancozeb asks for: gloves and boots"},
		{name: "taken back", change: in("ZA", gloves, holding(identity.EquipmentIssue, identity.Qualification{Date: "2020-01-01", EndDate: "2026-06-14"})), want: "warn"},
	})
}

func TestACertificateIsValidOnTheLastDayOfTheWork(t *testing.T) {
	certified := func(a *rules.Application) {
		onlyLine(a).Product.RestrictedUse = true
		a.Applicator.Certificates = []rules.Certificate{{Category: "3", ExpireDate: "2026-06-14"}}
		overnight(a)
	}
	specify(t, rules.RuleCertifiedApplicator, false, []rule{
		{name: "over midnight", change: certified, want: "refuse", says: "valid on 2026-06-15"},
		{name: "to midnight", change: func(a *rules.Application) { certified(a); a.End = a.End.Add(-time.Hour) }, want: "pass"},
	})
}

func TestWhoIsAskedAboutInAPlanIsHeldToTheSameRules(t *testing.T) {
	ada := identity.Person{DisplayName: "Ada", Qualifications: fit(), Certificates: []identity.Certificate{{Category: "3", ExpireDate: "2026-06-20"}}}
	restricted := product("mancozeb", "mancozeb")
	restricted.RestrictedUse, restricted.Respirator = true, productsv1.LabelAnswer_LABEL_ANSWER_YES
	handling := rules.Handling{Jurisdiction: "US-FL", First: "2026-06-15", Last: "2026-06-20", Product: restricted}
	require.Empty(t, rules.AgainstHandler(ada, handling))
	handling.Last = "2026-06-21"
	against := rules.AgainstHandler(ada, handling)
	require.Len(t, against, 1)
	require.Equal(t, rules.RuleCertifiedApplicator, against[0].Rule)
	handling.Last, handling.First = "2027-03-01", "2027-02-28"
	var broken []string
	for _, v := range rules.AgainstHandler(ada, handling) {
		broken = append(broken, v.Rule)
	}
	require.Equal(t, []string{rules.RuleHandlerTraining, rules.RuleCertifiedApplicator, rules.RuleRespiratorFitness}, broken)
	handling.Jurisdiction = "ZA"
	require.Len(t, rules.AgainstHandler(ada, handling), 1, "the certificate is asked for everywhere")
}

func TestNoRuleOnPeopleIsOverridable(t *testing.T) {
	a := plain()
	onlyLine(&a).Product.RestrictedUse, onlyLine(&a).Product.Respirator = true, productsv1.LabelAnswer_LABEL_ANSWER_YES
	a.Applicator.Qualifications = []identity.Qualification{{Kind: identity.FullAge, Date: "2026-06-16"}}
	verdicts, err := rules.Check(a, nil)
	require.NoError(t, err)
	var refused []string
	for _, v := range rules.Refusals(verdicts) {
		require.False(t, v.Overridable, v.Rule)
		refused = append(refused, v.Rule)
	}
	require.Equal(t, []string{rules.RuleCertifiedApplicator, rules.RuleHandlerTraining, rules.RuleHandlerAge, rules.RuleRespiratorFitness}, refused)
	for _, id := range rules.PeopleRules() {
		require.Contains(t, rules.Rules(), id)
	}
}
