package treatment

import (
	"testing"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/services/products"
)

const (
	fungus   = diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS
	oomycete = diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE
	onLeaves = productsv1.Method_METHOD_SPRAY
	inBath   = productsv1.Method_METHOD_BATH
)

// powder is a product that is weighed, at most 1.2 g/L, 12 h.
func powder(actives ...string) products.Product {
	p := products.Product{
		ID: "powder", DisplayName: "Powder", Form: productsv1.ProductForm_PRODUCT_FORM_SOLID,
		Directions: []products.Direction{{
			Method: onLeaves, Classes: []diagnosisv1.DisorderClass{fungus},
			RateMin: quantity.Must("0.6", quantity.GramPerLitre), RateMax: quantity.Must("1.2", quantity.GramPerLitre),
			RestrictedEntryInterval: quantity.Must("12", quantity.Hour),
		}},
	}
	for _, active := range actives {
		p.Contents = append(p.Contents, products.Content{ActiveIngredient: active, Amount: quantity.Must("500", quantity.GramPerKilogram)})
	}
	return p
}

func liquid(active, interval string) products.Product {
	return products.Product{
		ID: "liquid", DisplayName: "Liquid", Form: productsv1.ProductForm_PRODUCT_FORM_LIQUID,
		Contents: []products.Content{{ActiveIngredient: active, Amount: quantity.Must("250", quantity.GramPerLitre)}},
		Directions: []products.Direction{{
			Method: onLeaves, Classes: []diagnosisv1.DisorderClass{fungus},
			RateMin: quantity.Must("0.5", quantity.MillilitrePerL), RateMax: quantity.Must("1", quantity.MillilitrePerL),
			RestrictedEntryInterval: quantity.Must(interval, quantity.Hour),
		}},
	}
}

func line(product products.Product, amount string, unit quantity.Unit, litres string) MixLine {
	return MixLine{Field: "products[0]", Product: product, Amount: quantity.Must(amount, unit), Volume: quantity.Must(litres, quantity.Litre)}
}

func TestTheLongestEntryIntervalOfAMixAppliesAsPublished(t *testing.T) {
	// 40 CFR 170.407 (also WAC 16-233-116): with several products the longest
	// restricted-entry interval applies.
	facts, err := CheckMix([]MixLine{
		line(powder("thiophanate-methyl"), "12", quantity.Gram, "10"),
		line(liquid("azoxystrobin", "24"), "10", quantity.Millilitre, "10"),
		line(liquid("mancozeb", "4"), "10", quantity.Millilitre, "10"),
	}, MixUse{Method: onLeaves, Class: fungus, Candidates: []string{"thiophanate-methyl"}})
	require.NoError(t, err)
	require.Equal(t, "24 h", facts.RestrictedEntryInterval.String())
	require.Equal(t, []string{"1", "11", "M03"}, facts.Groups, "a mixture counts in each of its groups")
}

func TestAMixAtTheLabelsHighestRatePassesAndAboveItDoesNot(t *testing.T) {
	use := MixUse{Method: onLeaves, Class: fungus, Candidates: []string{"thiophanate-methyl"}}
	_, err := CheckMix([]MixLine{line(powder("thiophanate-methyl"), "0.012", quantity.Kilogram, "10")}, use)
	require.NoError(t, err)
	_, err = CheckMix([]MixLine{line(powder("thiophanate-methyl"), "12.000001", quantity.Gram, "10")}, use)
	require.True(t, fault.Is(err, fault.LabelRateExceeded), "%v", err)
	f, _ := fault.As(err)
	require.Equal(t, "12 g", f.Values["most"])
}

func TestAMixIsRefused(t *testing.T) {
	missingInterval := powder("thiophanate-methyl")
	missingInterval.Directions[0].RestrictedEntryInterval = quantity.Quantity{}
	use := MixUse{Method: onLeaves, Class: fungus, Candidates: []string{"thiophanate-methyl", "tebuconazole"}}
	with := func(change func(*MixUse)) MixUse {
		changed := use
		change(&changed)
		return changed
	}
	for _, test := range []struct {
		name   string
		line   MixLine
		use    MixUse
		reason fault.Reason
	}{
		{"for a method that the label does not list", line(powder("thiophanate-methyl"), "5", quantity.Gram, "10"),
			with(func(u *MixUse) { u.Method = inBath }), fault.LabelUseNotListed},
		{"for a class that the label does not list", line(powder("thiophanate-methyl"), "5", quantity.Gram, "10"),
			with(func(u *MixUse) { u.Class = oomycete }), fault.LabelUseNotListed},
		{"without an entry interval on the label", line(missingInterval, "5", quantity.Gram, "10"), use, fault.LabelFactMissing},
		{"when it holds no candidate", line(powder("captan"), "5", quantity.Gram, "10"), use, fault.ProductNotCandidate},
		{"when it repeats the round before's group", line(powder("thiophanate-methyl"), "5", quantity.Gram, "10"),
			with(func(u *MixUse) { u.UsedBefore = []string{"1"} }), fault.ResistanceGroupRepeated},
		{"when a partner repeats the round before's group", line(powder("thiophanate-methyl", "azoxystrobin"), "5", quantity.Gram, "10"),
			with(func(u *MixUse) { u.UsedBefore = []string{"11"} }), fault.ResistanceGroupRepeated},
		{"when a powder is given in mL", line(powder("thiophanate-methyl"), "5", quantity.Millilitre, "10"), use, fault.InvalidField},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := CheckMix([]MixLine{test.line}, test.use)
			require.True(t, fault.Is(err, test.reason), "%v", err)
		})
	}
}

func TestMultiSiteGroupsMayBeRepeated(t *testing.T) {
	_, err := CheckMix([]MixLine{line(powder("mancozeb"), "5", quantity.Gram, "10")},
		MixUse{Method: onLeaves, Class: fungus, Candidates: []string{"mancozeb"}, UsedBefore: []string{"M03"}})
	require.NoError(t, err)
}

func TestCandidatesOfTheNextRoundLeaveOutTheGroupsUsed(t *testing.T) {
	require.Equal(t, []string{"tebuconazole", "captan"},
		OpenCandidates([]string{"thiophanate-methyl", "tebuconazole", "captan"}, []string{"1", "M04"}))
}
