package rules_test

import (
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/treatment/rules"
)

var berlin = func() *time.Location {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		panic(err)
	}
	return zone
}()

// at reads a wall clock in the nursery's zone.
func at(text string) time.Time {
	moment, err := time.ParseInLocation("2006-01-02 15:04", text, berlin)
	if err != nil {
		panic(err)
	}
	return moment.UTC()
}

func amount(text string) quantity.Quantity {
	q, err := quantity.Parse(text)
	if err != nil {
		panic(err)
	}
	return q
}

func yes() *bool          { b := true; return &b }
func no() *bool           { b := false; return &b }
func days(n int32) *int32 { return &n }

// everyFact are the facts that a label may be silent on.
func everyFact() []productsv1.LabelFact {
	var facts []productsv1.LabelFact
	for fact := productsv1.LabelFact_LABEL_FACT_CROPS; fact <= productsv1.LabelFact_LABEL_FACT_CHEMIGATION; fact++ {
		if fact != productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL {
			facts = append(facts, fact)
		}
	}
	return facts
}

// product is one with a complete label that limits nothing but the rate: 1 to
// 2 g/L of a solid, 1 to 2 mL/L of a liquid. Its actives hold 500 g/kg or g/L.
func product(id string, actives ...string) products.Product {
	p := products.Product{
		ID: id, DisplayName: strings.ToUpper(id[:1]) + id[1:], RegistrationNumber: "R-" + id,
		Form: productsv1.ProductForm_PRODUCT_FORM_SOLID, Formulation: productsv1.Formulation_FORMULATION_WP, Jurisdiction: "US",
		Respirator: productsv1.LabelAnswer_LABEL_ANSWER_NO, InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_NO,
	}
	direction := products.Direction{
		Method:  productsv1.Method_METHOD_SPRAY,
		Classes: []diagnosisv1.DisorderClass{fungus, oomycete, diagnosisv1.DisorderClass_DISORDER_CLASS_BACTERIUM},
		RateMin: amount("1 g/L"), RateMax: amount("2 g/L"), RestrictedEntryInterval: amount("12 h"), SilentOn: everyFact(),
	}
	p.Directions = []products.Direction{direction}
	for _, active := range actives {
		p.Contents = append(p.Contents, products.Content{ActiveIngredient: active, Amount: amount("500 g/kg")})
	}
	return p
}

// plain is an application that breaks no rule: mancozeb and two lots in a shaded
// greenhouse.
func plain() rules.Application {
	return mix(product("mancozeb", "mancozeb"))
}

// mix is an application of products, 1.5 g/L each in 10 L on 20 m2.
func mix(mixed ...products.Product) rules.Application {
	a := rules.Application{
		Start: now, Zone: berlin, Jurisdiction: "US", Method: productsv1.Method_METHOD_SPRAY, Disorder: "rust", Class: fungus,
		Lots: []rules.Lot{{ID: "p1", BotanicalName: "Phalaenopsis amabilis", House: "north"}, {ID: "p2", BotanicalName: "Phalaenopsis amabilis", House: "north"}},
		Treatments: []rules.Treatment{{
			Field: "treatments[0]", House: "north", Site: productsv1.Site_SITE_GREENHOUSE,
			Area: amount("20 m2"), MixVolume: amount("10 L"), Plants: 200,
		}},
		Conditions: rules.Conditions{Temperature: amount("20 Cel"), Humidity: amount("70 %"), OpenBloom: no(), Sunlit: no(), WetFoliage: no()},
		Applicator: rules.Applicator{ID: "ada", DisplayName: "Ada", Field: "performer", Qualifications: fit()},
	}
	for i, p := range mixed {
		a.Treatments[0].Lines = append(a.Treatments[0].Lines, rules.Line{
			Field: "treatments[0].products[" + string(rune('0'+i)) + "]", Product: p, Amount: amount("15 g"),
			Store: rules.Store{Counted: true, Containers: []rules.Container{{ID: "c1", Remaining: amount("1 kg")}}},
		})
	}
	return a
}

// fit are the qualifications of somebody who may handle anything on the days around now.
func fit() []identity.Qualification {
	return []identity.Qualification{
		{Kind: identity.HandlerTraining, Date: "2026-03-01", EndDate: "2027-02-28"}, {Kind: identity.FullAge, Date: "2010-01-01"},
		{Kind: identity.MedicalClearance, Date: "2020-01-01"}, {Kind: identity.FitTest, Date: "2026-03-01", EndDate: "2027-02-28"},
		{Kind: identity.EquipmentIssue, Date: "2020-01-01"},
	}
}

// onlyLine is the first product of an application.
func onlyLine(a *rules.Application) *rules.Line { return &a.Treatments[0].Lines[0] }

// label is the first direction of the first product.
func label(a *rules.Application) *products.Direction { return &onlyLine(a).Product.Directions[0] }

// past is an application of active ingredients that took an hour, 0.5 g/m2 each.
func past(end time.Time, disorder string, class diagnosisv1.DisorderClass, actives ...string) rules.Past {
	p := rules.Past{
		ID: "a-" + end.Format(time.RFC3339), Start: end.Add(-time.Hour), End: end,
		Method: productsv1.Method_METHOD_SPRAY, Disorder: disorder, Class: class,
	}
	for _, id := range actives {
		active, known := products.ActiveIngredientByID(id)
		if !known {
			panic(id)
		}
		p.Products = append(p.Products, rules.PastProduct{
			ID: id, DisplayName: active.DisplayName, RegistrationNumber: "R-" + id, Formulation: productsv1.Formulation_FORMULATION_WP,
			Actives: []rules.PastActive{{ID: id, Group: active.FRACCode, PerArea: big.NewRat(1, 2)}},
		})
	}
	return p
}

// sprayed is a history of lot p1: each application of active ingredients ended so
// many days before now.
func sprayed(actives string, daysBefore ...int) rules.History {
	h := rules.History{}
	for _, n := range daysBefore {
		h["p1"] = append(h["p1"], past(now.AddDate(0, 0, -n), "rust", fungus, strings.Split(actives, "+")...))
	}
	return h
}

// verdictOn returns the worst verdict of a rule.
func verdictOn(t testing.TB, a rules.Application, h rules.History, rule string) (rules.Verdict, bool) {
	t.Helper()
	verdicts, err := rules.Check(a, h)
	require.NoError(t, err)
	for _, v := range verdicts {
		if v.Rule == rule {
			return v, true
		}
	}
	return rules.Verdict{}, false
}

var outcomes = map[string]rules.Outcome{"pass": rules.Pass, "warn": rules.Warn, "refuse": rules.Refuse}

// rule is one line of a specification.
type rule struct {
	name string
	// of is the application; plain when nil.
	of     func() rules.Application
	change func(*rules.Application)
	before rules.History
	// want is pass, warn, refuse, or nothing when the rule has nothing to say.
	want string
	// says is a part of the message.
	says string
	// earliest is the wall clock at which it passes.
	earliest string
}

// specify holds the verdicts of one rule to lines of a specification.
func specify(t *testing.T, id string, overridable bool, lines []rule) {
	t.Helper()
	for _, line := range lines {
		t.Run(id+"/"+line.name, func(t *testing.T) {
			a := plain()
			if line.of != nil {
				a = line.of()
			}
			if line.change != nil {
				line.change(&a)
			}
			v, found := verdictOn(t, a, line.before, id)
			require.Equal(t, line.want != "", found, "%+v", v)
			if !found {
				return
			}
			require.Equal(t, outcomes[line.want], v.Outcome, v.Message)
			require.Contains(t, v.Message, line.says)
			require.NotEmpty(t, v.Source)
			if v.Outcome == rules.Refuse {
				require.Equal(t, overridable, v.Overridable)
			}
			if line.earliest == "" {
				require.True(t, v.Earliest.IsZero(), "%s", v.Earliest)
				return
			}
			require.Equal(t, at(line.earliest), v.Earliest)
			// Waiting until then is enough, and a minute less is not.
			a.Start = v.Earliest
			again, found := verdictOn(t, a, line.before, id)
			require.True(t, !found || again.Outcome == rules.Pass, again.Message)
			a.Start = v.Earliest.Add(-time.Minute)
			again, _ = verdictOn(t, a, line.before, id)
			require.NotEqual(t, rules.Pass, again.Outcome)
		})
	}
}
