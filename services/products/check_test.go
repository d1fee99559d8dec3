package products

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
)

// checked is a product that nothing is missing from.
func checked(t *testing.T) Product {
	t.Helper()
	product, faults := readProduct("product", "whole", whole(), names{})
	require.Empty(t, faults)
	return product
}

var today = time.Date(2026, 3, 1, 10, 0, 0, 0, time.UTC)

func TestCheckFindsWhatWillRefuse(t *testing.T) {
	require.Empty(t, Check(checked(t), "ZA", today))
	for _, test := range []struct {
		name         string
		jurisdiction string
		change       func(*Product)
		rule         string
		field        string
		refuses      bool
		says         string
	}{
		{"no directions", "ZA", func(p *Product) { p.Directions = nil }, RuleNoDirections, "directions", true, "none is allowed"},
		{"no jurisdiction", "ZA", func(p *Product) { p.Jurisdiction = "" }, RuleJurisdictionMissing, "jurisdiction", true, "not entered"},
		{"another jurisdiction", "US-CA", func(*Product) {}, RuleJurisdictionOther, "jurisdiction", true, "US-CA, US"},
		{"a registration that ended", "ZA", func(p *Product) { p.RegistrationExpireDate = "2026-02-28" },
			RuleRegistrationExpired, "registration_expire_date", true, "2026-02-28"},
		{"a registration that ends today", "ZA", func(p *Product) { p.RegistrationExpireDate = "2026-03-01" },
			RuleRegistrationExpires, "registration_expire_date", false, "2026-03-01"},
		{"a registration that ends in 30 days", "ZA", func(p *Product) { p.RegistrationExpireDate = "2026-03-31" },
			RuleRegistrationExpires, "registration_expire_date", false, "2026-03-31"},
		{"no answer about a respirator", "ZA", func(p *Product) { p.Respirator = 0 }, RuleLabelAnswerMissing, "respirator", false, "the wider area stays closed"},
		{"no answer about signs and words", "ZA", func(p *Product) { p.DoubleNotification = 0 },
			RuleLabelAnswerMissing, "double_notification", false, "both are due"},
		{"no answer about vapour", "ZA", func(p *Product) { p.InhalationLimited, p.InhalationLevel = 0, quantity.Quantity{} },
			RuleLabelAnswerMissing, "inhalation_limited", false, "airing alone opens no house"},
		{"no level of vapour", "ZA", func(p *Product) { p.InhalationLevel = quantity.Quantity{} },
			RuleLabelAnswerMissing, "inhalation_level", false, "no measurement opens a house"},
		{"no answer about organophosphates", "US-CA", func(p *Product) { p.Jurisdiction, p.Organophosphate = "US", 0 },
			RuleLabelAnswerMissing, "organophosphate", false, "the longer default is named"},
		{"no first aid", "ZA", func(p *Product) { p.FirstAid = "" }, RuleLabelAnswerMissing, "first_aid", false, "sheet for a physician"},
		{"no safety data sheet", "ZA", func(p *Product) { p.SafetyDataSheet = "" },
			RuleLabelAnswerMissing, "safety_data_sheet", false, "displays and records"},
		{"no answer about the time of day", "DE", func(p *Product) { p.Jurisdiction, p.TimeLimited = "DE", 0 },
			RuleLabelAnswerMissing, "time_limited", false, "the hour of the use"},
		{"no answer about the growth stage", "DE", func(p *Product) { p.Jurisdiction, p.StageLimited = "DE", 0 },
			RuleLabelAnswerMissing, "stage_limited", false, "the stage of the plants"},
		{"no formulation", "ZA", func(p *Product) { p.Formulation = 0 }, RuleFormulationMissing, "formulation", false, "mixing order"},
		{"an active that the EU withdrew", "DE", func(p *Product) {
			p.Jurisdiction, p.Contents[0].ActiveIngredient = "DE", "mancozeb"
		}, RuleNotApproved, "contents[0].active_ingredient", true, "2022-01-04"},
		{"no crops", "ZA", func(p *Product) { p.Directions[0].Crops = nil }, RuleLabelFactMissing, "directions[0].crops", true, "crops in silent_on"},
		{"no re-entry interval", "ZA", func(p *Product) { p.Directions[0].RestrictedEntryInterval = quantity.Quantity{} },
			RuleLabelFactMissing, "directions[0].restricted_entry_interval", true, "enter what the label says"},
	} {
		t.Run(test.name, func(t *testing.T) {
			product := checked(t)
			test.change(&product)
			findings := Check(product, test.jurisdiction, today)
			require.Len(t, findings, 1)
			require.Equal(t, test.rule, findings[0].Rule)
			require.Equal(t, test.field, findings[0].Field)
			require.Equal(t, test.refuses, findings[0].Refuses)
			require.Contains(t, findings[0].Message, test.says)
			require.NotEmpty(t, findings[0].Source)
		})
	}
	product := checked(t)
	product.Organophosphate, product.TimeLimited, product.StageLimited = 0, 0, 0
	require.Empty(t, Check(product, "ZA", today), "another law asks for these")
	product = checked(t)
	product.RegistrationExpireDate = "2026-04-01"
	require.Empty(t, Check(product, "ZA", today), "31 days are enough")
	product.RegistrationExpireDate = ""
	require.Empty(t, Check(product, "ZA", today), "a registration without an end")
}

// Source: 40 CFR 156.208(c), numbers from memory: category I 48 h, II 24 h, III
// and IV 12 h.
func TestTheLawsDefaultIsNamedAndNotFilledInAsPublished(t *testing.T) {
	for category, says := range map[productsv1.ToxicityCategory]string{
		productsv1.ToxicityCategory_TOXICITY_CATEGORY_I:           "48 h for toxicity category I.",
		productsv1.ToxicityCategory_TOXICITY_CATEGORY_II:          "24 h for toxicity category II.",
		productsv1.ToxicityCategory_TOXICITY_CATEGORY_III:         "12 h for toxicity category III.",
		productsv1.ToxicityCategory_TOXICITY_CATEGORY_IV:          "12 h for toxicity category IV.",
		productsv1.ToxicityCategory_TOXICITY_CATEGORY_UNSPECIFIED: "I 48 h, II 24 h, III 12 h, IV 12 h.",
	} {
		product := checked(t)
		product.Jurisdiction, product.ToxicityCategory = "US", category
		product.Directions[0].RestrictedEntryInterval = quantity.Quantity{}
		findings := Check(product, "US-CA", today)
		require.Len(t, findings, 1)
		require.Contains(t, findings[0].Message, says)
		require.Contains(t, findings[0].Message, "It is not filled in")
		require.Contains(t, findings[0].Message, "enter what the label says")
		require.Contains(t, findings[0].Source, "40 CFR 156.208(c)")
		require.True(t, product.Directions[0].RestrictedEntryInterval.IsZero())
	}
}

func TestEveryFactHasAField(t *testing.T) {
	fields := (&productsv1.LabelDirection{}).ProtoReflect().Descriptor().Fields()
	for number := range productsv1.LabelFact_name {
		if number == 0 {
			continue
		}
		name := FactField(productsv1.LabelFact(number))
		require.NotNil(t, fields.ByTextName(name), "%d %s", number, name)
	}
}

func TestCheckProductsNamesProductAndField(t *testing.T) {
	f := setUp(t)
	for id, product := range map[string]*productsv1.Product{"whole": whole(), "bare": solid()} {
		_, err := f.client.CreateProduct(f.manager, create(id, product))
		require.NoError(t, err)
	}
	response, err := f.client.CheckProducts(f.manager, &productsv1.CheckProductsRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	require.EqualValues(t, 2, response.GetProducts())
	require.Contains(t, response.GetCaution(), "label and local law decide")
	missing := 0
	for _, finding := range response.GetFindings() {
		require.NotEmpty(t, finding.GetMessage())
		require.NotEmpty(t, finding.GetSource())
		if finding.GetProduct() == "nurseries/test/products/bare" && finding.GetRule() == RuleLabelFactMissing {
			missing++
		}
	}
	bare, err := ReadProduct(t.Context(), f.db, "test", "bare")
	require.NoError(t, err)
	require.Equal(t, len(bare.Directions[0].Missing()), missing)
}

func TestApprovalsAreListedForTheNurserysLawAnotherOrAll(t *testing.T) {
	f := setUp(t)
	list := func(jurisdiction string) []*productsv1.Approval {
		response, err := f.client.ListApprovals(f.manager, &productsv1.ListApprovalsRequest{Parent: "nurseries/test", Jurisdiction: jurisdiction})
		require.NoError(t, err)
		return response.GetApprovals()
	}
	require.Equal(t, len(Approvals("-")), len(list("-")))
	require.Equal(t, len(Approvals("EU")), len(list("FR")))
	require.Empty(t, list("ZA"))
	require.Empty(t, list(""), "the test nursery is in South Africa")
	for _, approval := range list("EU") {
		require.NotEmpty(t, approval.GetAct())
		require.NotEmpty(t, approval.GetSource())
	}
}
