package rules_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/products"
	"velamen/services/treatment/rules"
)

const (
	allowed   = productsv1.Permission_PERMISSION_ALLOWED
	forbidden = productsv1.Permission_PERMISSION_FORBIDDEN
)

func TestLabelUse(t *testing.T) {
	specify(t, rules.RuleLabelUse, false, []rule{
		{name: "listed", want: "pass"},
		{name: "another method", change: func(a *rules.Application) { a.Method = productsv1.Method_METHOD_BATH }, want: "refuse", says: "no direction for a bath"},
		{name: "another class", change: func(a *rules.Application) { label(a).Classes = []diagnosisv1.DisorderClass{oomycete} }, want: "refuse", says: "lists no spray against rust"},
		{name: "another disorder", change: func(a *rules.Application) { label(a).Disorders = []string{"grey-mould"} }, want: "refuse", says: "lists no spray against rust"},
		{name: "outdoors only", change: func(a *rules.Application) { label(a).Sites = []productsv1.Site{productsv1.Site_SITE_OUTDOOR} }, want: "refuse", says: "house north (greenhouse)"},
		{name: "greenhouse, covering not known", change: func(a *rules.Application) {
			label(a).Sites, a.Treatments[0].Site = []productsv1.Site{productsv1.Site_SITE_GREENHOUSE}, productsv1.Site_SITE_UNSPECIFIED
		}, want: "warn", says: "what covers house north is not entered"},
		{name: "another crop", change: func(a *rules.Application) { label(a).Crops = []string{"rosa"} }, want: "refuse", says: "Phalaenopsis amabilis"},
		{name: "the genus", change: func(a *rules.Application) { label(a).Crops = []string{"phalaenopsis"} }, want: "pass"},
		{name: "one of two crops", change: func(a *rules.Application) {
			label(a).Crops, a.Lots[1].BotanicalName = []string{"phalaenopsis"}, "Cattleya labiata"
		}, want: "refuse"},
		{name: "the other crop stands in another house", change: func(a *rules.Application) {
			label(a).Crops, a.Lots[1].BotanicalName, a.Lots[1].House = []string{"phalaenopsis"}, "Cattleya labiata", "south"
			a.Treatments = append(a.Treatments, rules.Treatment{Field: "treatments[1]", House: "south"})
		}, want: "pass"},
		{name: "the other crop stands in a house that is not treated", change: func(a *rules.Application) {
			label(a).Crops, a.Lots[1].BotanicalName, a.Lots[1].House = []string{"phalaenopsis"}, "Cattleya labiata", "south"
		}, want: "refuse", says: "Cattleya"},
	})
}

func TestLabelFactMissing(t *testing.T) {
	lacks := func(fact productsv1.LabelFact) func(*rules.Application) {
		return func(a *rules.Application) {
			var silent []productsv1.LabelFact
			for _, other := range everyFact() {
				if other != fact {
					silent = append(silent, other)
				}
			}
			label(a).SilentOn = silent
		}
	}
	entry := func(jurisdiction string, category productsv1.ToxicityCategory) func(*rules.Application) {
		return func(a *rules.Application) {
			label(a).RestrictedEntryInterval = amount("1 h")
			a.Jurisdiction, onlyLine(a).Product.Jurisdiction = jurisdiction, jurisdiction
			onlyLine(a).Product.ToxicityCategory = category
			label(a).RestrictedEntryInterval = products.Direction{}.RestrictedEntryInterval
		}
	}
	specify(t, rules.RuleLabelFactMissing, false, []rule{
		{name: "all entered or silent", want: "pass"},
		{name: "crops", change: lacks(productsv1.LabelFact_LABEL_FACT_CROPS), want: "refuse", says: "crops"},
		{name: "min interval", change: lacks(productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL), want: "refuse", says: "min interval"},
		{name: "open bloom, nothing flowers", change: lacks(productsv1.LabelFact_LABEL_FACT_OPEN_BLOOM), want: "warn", says: "does not matter"},
		{name: "open bloom, not said", change: func(a *rules.Application) {
			lacks(productsv1.LabelFact_LABEL_FACT_OPEN_BLOOM)(a)
			a.Conditions.OpenBloom = nil
		}, want: "refuse"},
		{name: "chemigation, by hand", change: lacks(productsv1.LabelFact_LABEL_FACT_CHEMIGATION), want: "warn"},
		{name: "chemigation, through the irrigation", change: func(a *rules.Application) {
			lacks(productsv1.LabelFact_LABEL_FACT_CHEMIGATION)(a)
			a.Treatments[0].Chemigation = true
		}, want: "refuse"},
		{name: "water of a spray", change: lacks(productsv1.LabelFact_LABEL_FACT_WATER_VOLUME), want: "refuse"},
		{name: "water of a bath", change: func(a *rules.Application) {
			lacks(productsv1.LabelFact_LABEL_FACT_WATER_VOLUME)(a)
			a.Method, label(a).Method = productsv1.Method_METHOD_BATH, productsv1.Method_METHOD_BATH
		}, want: "warn"},
		{name: "rate", change: func(a *rules.Application) { label(a).RateMax = products.Direction{}.RateMax }, want: "refuse", says: "rate"},
		{name: "no hours of restricted entry", change: func(a *rules.Application) { label(a).RestrictedEntryInterval = amount("0 h") }, want: "pass"},
		{name: "restricted entry, category I", change: entry("US", productsv1.ToxicityCategory_TOXICITY_CATEGORY_I), want: "refuse", says: "the law's default is 48 h"},
		{name: "restricted entry, category II", change: entry("US-CA", productsv1.ToxicityCategory_TOXICITY_CATEGORY_II), want: "refuse", says: "the law's default is 24 h"},
		{name: "restricted entry, category III", change: entry("US", productsv1.ToxicityCategory_TOXICITY_CATEGORY_III), want: "refuse", says: "the law's default is 12 h"},
		{name: "restricted entry, category IV", change: entry("US", productsv1.ToxicityCategory_TOXICITY_CATEGORY_IV), want: "refuse", says: "the law's default is 12 h"},
		{name: "restricted entry, no category", change: entry("US", 0), want: "refuse", says: "I 48 h, II 24 h, III 12 h, IV 12 h"},
		{name: "restricted entry, elsewhere", change: entry("ZA", productsv1.ToxicityCategory_TOXICITY_CATEGORY_I), want: "refuse", says: "read it on the label and enter it"},
		{name: "restricted entry is never silent", change: func(a *rules.Application) {
			entry("US", 0)(a)
			label(a).SilentOn = append(label(a).SilentOn, productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL)
		}, want: "refuse"},
	})
}

func TestLabelRate(t *testing.T) {
	// rate sets the label's rates and what goes on: amount, mix, area, plants.
	rate := func(least, most, product string, solid bool, volume, area string, plants int64) func(*rules.Application) {
		return func(a *rules.Application) {
			label(a).RateMin, label(a).RateMax = amount(least), amount(most)
			onlyLine(a).Amount = amount(product)
			if !solid {
				onlyLine(a).Product.Form = productsv1.ProductForm_PRODUCT_FORM_LIQUID
				onlyLine(a).Product.Contents[0].Amount = amount("500 g/L")
				onlyLine(a).Store.Containers[0].Remaining = amount("10 L")
			}
			a.Treatments[0].MixVolume, a.Treatments[0].Area, a.Treatments[0].Plants = amount(volume), amount(area), plants
		}
	}
	specify(t, rules.RuleLabelRateMax, false, []rule{
		{name: "per volume, exactly", change: rate("1 g/L", "2 g/L", "20 g", true, "10 L", "20 m2", 0), want: "pass"},
		{name: "per volume, a microgram too much", change: rate("1 g/L", "2 g/L", "20.000001 g", true, "10 L", "20 m2", 0), want: "refuse", says: "at most 20 g"},
		{name: "per 100 gal, exactly", change: rate("8 oz/100 gal", "16 oz/100 gal", "1.6 oz", true, "10 gal", "20 m2", 0), want: "pass"},
		{name: "per 100 gal, too much", change: rate("8 oz/100 gal", "16 oz/100 gal", "1.600001 oz", true, "10 gal", "20 m2", 0), want: "refuse"},
		{name: "per 100 gal in litres", change: rate("8 oz/100 gal", "16 oz/100 gal", "45 g", true, "10 L", "20 m2", 0), want: "refuse", says: "at most"},
		{name: "per area, exactly", change: rate("1 kg/ha", "2 kg/ha", "4 g", true, "10 L", "20 m2", 0), want: "pass"},
		{name: "per area, too much", change: rate("1 kg/ha", "2 kg/ha", "4.000001 g", true, "10 L", "20 m2", 0), want: "refuse"},
		{name: "per acre in square metres", change: rate("1 lb/acre", "2 lb/acre", "5 g", true, "10 L", "20 m2", 0), want: "refuse"},
		{name: "per pot, exactly", change: rate("1 mL/pot", "2 mL/pot", "400 mL", false, "10 L", "20 m2", 200), want: "pass"},
		{name: "per pot, too much", change: rate("1 mL/pot", "2 mL/pot", "400.000001 mL", false, "10 L", "20 m2", 200), want: "refuse"},
		{name: "ppm, exactly", change: rate("50 ppm", "100 ppm", "2 g", true, "10 L", "20 m2", 0), want: "pass"},
		{name: "ppm, too much", change: rate("50 ppm", "100 ppm", "2.000001 g", true, "10 L", "20 m2", 0), want: "refuse"},
		{name: "%, exactly", change: rate("0.1 %", "0.5 %", "50 mL", false, "10 L", "20 m2", 0), want: "pass"},
		{name: "%, too much", change: rate("0.1 %", "0.5 %", "50.000001 mL", false, "10 L", "20 m2", 0), want: "refuse"},
		{name: "a third of a gram is not rounded up", change: rate("0.1 g/L", "1 g/3 L", "0.333334 g", true, "1 L", "20 m2", 0), want: "refuse", says: "at most 0.333333 g"},
		{name: "amount not known", change: func(a *rules.Application) { onlyLine(a).Amount = products.Content{}.Amount }, want: "warn", says: "at most 20 g"},
		{name: "volume not known", change: func(a *rules.Application) { a.Treatments[0].MixVolume = products.Content{}.Amount }, want: "warn", says: "not known yet"},
	})
	perPot := rate("1 mL/pot", "2 mL/pot", "5 L", false, "10 L", "20 m2", 0)
	specify(t, rules.RuleLabelRateMax, false, []rule{
		{name: "per pot, planned for nobody knows how many", change: perPot, want: "warn", says: "not known yet"},
		{name: "per pot, done and nobody says how many", change: func(a *rules.Application) {
			perPot(a)
			a.Done = true
		}, want: "refuse", says: "say how many"},
		{name: "one registration entered as two products", of: func() rules.Application {
			other := product("renamed", "mancozeb")
			other.RegistrationNumber = "R-mancozeb"
			return mix(product("mancozeb", "mancozeb"), other)
		}, want: "refuse", says: "30 g of Mancozeb"},
	})
	specify(t, rules.RuleLabelRateMin, false, []rule{
		{name: "exactly", change: rate("1 g/L", "2 g/L", "10 g", true, "10 L", "20 m2", 0), want: "pass"},
		{name: "below", change: rate("1 g/L", "2 g/L", "9.999999 g", true, "10 L", "20 m2", 0), want: "warn", says: "low doses select resistance"},
	})
}

func TestLabelWaterVolume(t *testing.T) {
	water := func(volume string) func(*rules.Application) {
		return func(a *rules.Application) {
			label(a).WaterVolumeMin, label(a).WaterVolumeMax = amount("400 mL/m2"), amount("600 mL/m2")
			a.Treatments[0].MixVolume = amount(volume)
		}
	}
	specify(t, rules.RuleLabelWaterVolume, false, []rule{
		{name: "label says nothing", want: ""},
		{name: "least", change: water("8 L"), want: "pass"},
		{name: "most", change: water("12 L"), want: "pass"},
		{name: "too little", change: water("7.999999 L"), want: "refuse", says: "at least 8 L"},
		{name: "too much", change: water("12.000001 L"), want: "refuse", says: "at most 12 L"},
		{name: "US units", change: func(a *rules.Application) {
			label(a).WaterVolumeMax = amount("100 gal/acre")
			a.Treatments[0].MixVolume, a.Treatments[0].Area = amount("1 gal"), amount("435.6 ft2")
		}, want: "pass"},
		{name: "per pot", change: func(a *rules.Application) { label(a).WaterVolumeMax = amount("50 mL/pot") }, want: "pass"},
		{name: "area not known", change: func(a *rules.Application) {
			water("8 L")(a)
			a.Treatments[0].Area = products.Content{}.Amount
		}, want: "warn"},
	})
}

// 100 gal/acre on 20 m2 is 1.8707912... L, which no record can write.
func TestALabelWithOneWaterVolumeInUSUnitsCanBeKeptInMetricOnes(t *testing.T) {
	only := func(volume string) func(*rules.Application) {
		return func(a *rules.Application) {
			label(a).WaterVolumeMin, label(a).WaterVolumeMax = amount("100 gal/acre"), amount("100 gal/acre")
			a.Treatments[0].MixVolume, a.Treatments[0].Area = amount(volume), amount("20 m2")
		}
	}
	specify(t, rules.RuleLabelWaterVolume, false, []rule{
		{name: "rounded down", change: only("1.870791 L"), want: "pass"},
		{name: "rounded up", change: only("1.870792 L"), want: "pass"},
		{name: "less", change: only("1.87079 L"), want: "refuse", says: "at least 1.870791 L (100 gal/acre)"},
		{name: "more", change: only("1.870793 L"), want: "refuse", says: "at most 1.870792 L (100 gal/acre)"},
	})
}

func TestLabelMinInterval(t *testing.T) {
	weekly := func(a *rules.Application) { label(a).MinIntervalDays = 7 }
	specify(t, rules.RuleLabelMinInterval, false, []rule{
		{name: "label says nothing", before: sprayed("mancozeb", 1), want: ""},
		{name: "never treated", change: weekly, want: "pass"},
		{name: "exactly", change: weekly, before: sprayed("mancozeb", 7), want: "pass", says: "7 days before"},
		{name: "a day too soon", change: weekly, before: sprayed("mancozeb", 6), want: "refuse", says: "lot p1 was treated with Mancozeb", earliest: "2026-06-16 10:00"},
		{name: "another active", change: weekly, before: sprayed("captan", 1), want: "pass"},
		{name: "another product with the same active", change: func(a *rules.Application) {
			weekly(a)
			onlyLine(a).Product.ID, onlyLine(a).Product.RegistrationNumber = "other", "R-other"
		}, before: sprayed("mancozeb", 6), want: "refuse", says: "mancozeb", earliest: "2026-06-16 10:00"},
		{name: "the last of several", change: weekly, before: sprayed("mancozeb", 20, 13, 3), want: "refuse", earliest: "2026-06-19 10:00"},
		{name: "clocks change in between", change: func(a *rules.Application) {
			weekly(a)
			a.Start = at("2026-03-31 09:59")
		}, before: rules.History{"p1": {past(at("2026-03-24 10:00"), "rust", fungus, "mancozeb")}}, want: "refuse", earliest: "2026-03-31 10:00"},
		{name: "entered late, one was made after", change: weekly, before: sprayed("mancozeb", -3), want: "refuse", earliest: "2026-06-25 10:00"},
		{name: "entered late, one was made long after", change: weekly, before: sprayed("mancozeb", -8), want: "pass"},
	})
}

func TestLabelMaxApplications(t *testing.T) {
	most := func(cycle, year int32) func(*rules.Application) {
		return func(a *rules.Application) { label(a).MaxPerCropCycle, label(a).MaxPerYear = cycle, year }
	}
	specify(t, rules.RuleLabelMaxPerCycle, false, []rule{
		{name: "the last allowed", change: most(3, 0), before: sprayed("mancozeb", 900, 30), want: "pass", says: "application 3"},
		{name: "one too many", change: most(2, 0), before: sprayed("mancozeb", 900, 30), want: "refuse", says: "lot p1"},
		{name: "another product does not count", change: most(2, 0), before: sprayed("captan", 900, 30), want: "pass"},
		{name: "the same registration under another name", change: func(a *rules.Application) {
			most(1, 0)(a)
			onlyLine(a).Product.ID = "renamed"
		}, before: sprayed("mancozeb", 30), want: "refuse"},
	})
	specify(t, rules.RuleLabelMaxPerYear, false, []rule{
		{name: "the last allowed", change: most(0, 2), before: sprayed("mancozeb", 30), want: "pass"},
		{name: "one too many", change: most(0, 2), before: sprayed("mancozeb", 300, 30), want: "refuse", says: "application 3", earliest: "2026-08-19 10:00"},
		{name: "exactly a year ago", change: most(0, 1), before: sprayed("mancozeb", 365), want: "pass"},
		{name: "a day less", change: most(0, 1), before: sprayed("mancozeb", 364), want: "refuse", earliest: "2026-06-16 10:00"},
	})
}

func TestLabelMaxActivePerYear(t *testing.T) {
	// The plain application puts 15 g x 500 g/kg on 20 m2: 0.375 g/m2. Each before
	// put 0.5 g/m2.
	most := func(text string) func(*rules.Application) {
		return func(a *rules.Application) {
			label(a).ActiveLimits = []products.ActiveLimit{{ActiveIngredient: "mancozeb", MostPerYear: amount(text)}}
		}
	}
	specify(t, rules.RuleLabelActivePerYear, false, []rule{
		{name: "exactly", change: most("0.875 g/m2"), before: sprayed("mancozeb", 30), want: "pass", says: "0.875 g/m2"},
		{name: "too much", change: most("0.874999 g/m2"), before: sprayed("mancozeb", 30), want: "refuse", says: "lot p1", earliest: "2027-05-16 10:00"},
		{name: "in kg/ha", change: most("8.75 kg/ha"), before: sprayed("mancozeb", 30), want: "pass"},
		{name: "in lb/acre", change: most("7.8 lb/acre"), before: sprayed("mancozeb", 30), want: "refuse", earliest: "2027-05-16 10:00"},
		{name: "the first of two leaves the year", change: most("0.9 g/m2"), before: sprayed("mancozeb", 300, 30), want: "refuse", earliest: "2026-08-19 10:00"},
		{name: "this one alone is too much", change: most("0.3 g/m2"), want: "refuse"},
		{name: "another product with the active counts", change: func(a *rules.Application) {
			most("0.8 g/m2")(a)
			onlyLine(a).Product.ID, onlyLine(a).Product.RegistrationNumber = "other", "R-other"
		}, before: sprayed("mancozeb", 30), want: "refuse", earliest: "2027-05-16 10:00"},
		{name: "area before not known", change: most("0.8 g/m2"), before: func() rules.History {
			h := sprayed("mancozeb", 30)
			h["p1"][0].Products[0].Actives[0].PerArea = nil
			return h
		}(), want: "warn"},
		{name: "two products of one mix add up", of: func() rules.Application { return mix(product("mancozeb", "mancozeb"), product("double", "mancozeb")) },
			change: most("0.749999 g/m2"), want: "refuse"},
	})
}

// 40 CFR 170.405(b)(3), from memory: where a label gives an inhalation level the air must
// be measured.
func TestALabelWhoseVapourIsMeasuredIsKnownBeforeTheHouseIsClosedPublished(t *testing.T) {
	answer := func(answer productsv1.LabelAnswer) func(*rules.Application) {
		return func(a *rules.Application) { onlyLine(a).Product.InhalationLimited = answer }
	}
	unknown := answer(productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED)
	specify(t, rules.RuleLabelInhalation, false, []rule{
		{name: "no level", want: "pass"},
		{name: "a level", change: answer(productsv1.LabelAnswer_LABEL_ANSWER_YES), want: "warn", says: "until it is measured and recorded"},
		{name: "not entered", change: unknown, want: "warn", says: "the house stays closed until that is entered"},
		{name: "outdoors", change: func(a *rules.Application) { unknown(a); a.Treatments[0].Site = productsv1.Site_SITE_OUTDOOR }, want: ""},
	})
}

func TestLabelConditions(t *testing.T) {
	specify(t, rules.RuleLabelTemperature, false, []rule{
		{name: "label says nothing", want: ""},
		{name: "the hottest", change: func(a *rules.Application) { label(a).TemperatureMax = amount("20 Cel") }, want: "pass"},
		{name: "too hot", change: func(a *rules.Application) { label(a).TemperatureMax = amount("19.9 Cel") }, want: "refuse", says: "at most 19.9 Cel"},
		{name: "the coldest", change: func(a *rules.Application) { label(a).TemperatureMin = amount("20 Cel") }, want: "pass"},
		{name: "too cold", change: func(a *rules.Application) { label(a).TemperatureMin = amount("20.1 Cel") }, want: "refuse"},
		{name: "not measured", change: func(a *rules.Application) {
			label(a).TemperatureMin, a.Conditions.Temperature = amount("20 Cel"), products.Content{}.Amount
		}, want: "warn", says: "not measured"},
	})
	bloom := func(says productsv1.Permission, bloom *bool) func(*rules.Application) {
		return func(a *rules.Application) { label(a).OpenBloom, a.Conditions.OpenBloom = says, bloom }
	}
	specify(t, rules.RuleLabelOpenBloom, false, []rule{
		{name: "allowed", change: bloom(allowed, yes()), want: "pass"},
		{name: "forbidden, in bloom", change: bloom(forbidden, yes()), want: "refuse"},
		{name: "forbidden, not in bloom", change: bloom(forbidden, no()), want: "pass"},
		{name: "forbidden, not said", change: bloom(forbidden, nil), want: "warn"},
	})
	through := func(says productsv1.Permission) func(*rules.Application) {
		return func(a *rules.Application) { label(a).Chemigation, a.Treatments[0].Chemigation = says, true }
	}
	specify(t, rules.RuleLabelChemigation, false, []rule{
		{name: "by hand", change: func(a *rules.Application) { label(a).Chemigation = forbidden }, want: ""},
		{name: "allowed", change: through(allowed), want: "pass"},
		{name: "forbidden", change: through(forbidden), want: "refuse"},
		{name: "the label says nothing", change: through(0), want: "refuse", says: "no permission"},
	})
	specify(t, rules.RuleLabelSaleInterval, false, []rule{
		{name: "label says nothing", want: ""},
		{name: "at once", change: func(a *rules.Application) { label(a).SaleIntervalDays = days(0) }, want: "pass"},
		{name: "two weeks", change: func(a *rules.Application) { label(a).SaleIntervalDays = days(14) }, want: "warn", says: "until 29 June 2026 10:00"},
	})
	specify(t, rules.RuleLabelRestrictedTime, false, []rule{{name: "stated", want: "pass", says: "12 h"}})
	specify(t, rules.RuleLabelEquipment, false, []rule{
		{name: "stated", change: func(a *rules.Application) { label(a).ProtectiveEquipment = "gloves" }, want: "pass", says: "gloves"},
	})
}

func TestRegistration(t *testing.T) {
	expires := func(day string) func(*rules.Application) {
		return func(a *rules.Application) { onlyLine(a).Product.RegistrationExpireDate = day }
	}
	specify(t, rules.RuleRegistrationExpired, false, []rule{
		{name: "no last day", want: "pass"},
		{name: "on its last day", change: expires("2026-06-15"), want: "pass"},
		{name: "a day after", change: expires("2026-06-14"), want: "refuse", says: "ended on 2026-06-14"},
		{name: "the day is the nursery's", change: func(a *rules.Application) {
			expires("2026-06-14")(a)
			a.Start = at("2026-06-14 23:30")
		}, want: "pass"},
	})
	in := func(product, nursery string) func(*rules.Application) {
		return func(a *rules.Application) { onlyLine(a).Product.Jurisdiction, a.Jurisdiction = product, nursery }
	}
	specify(t, rules.RuleRegistrationPlace, false, []rule{
		{name: "same", change: in("US-CA", "US-CA"), want: "pass"},
		{name: "US in a state", change: in("US", "US-CA"), want: "warn", says: "whether US-CA registered it too"},
		{name: "another state", change: in("US-OR", "US-CA"), want: "refuse"},
		{name: "a state, nursery's state not entered", change: in("US-CA", "US"), want: "warn"},
		{name: "a country in its part", change: in("DE", "DE-BY"), want: "pass"},
		{name: "the union in a member state", change: in("EU", "DE"), want: "warn", says: "must be authorised in DE itself"},
		{name: "the union elsewhere", change: in("EU", "GB"), want: "refuse"},
		{name: "another country", change: in("DE", "FR"), want: "refuse"},
		{name: "not entered", change: in("", "US"), want: "refuse", says: "is not entered"},
		{name: "nursery's not entered", change: in("US", ""), want: "refuse", says: "nursery is not entered"},
	})
	on := func(active, jurisdiction, day string) func(*rules.Application) {
		return func(a *rules.Application) {
			*onlyLine(a) = mix(product(active, active)).Treatments[0].Lines[0]
			onlyLine(a).Product.Jurisdiction, a.Jurisdiction, a.Start = jurisdiction, jurisdiction, at(day+" 10:00")
		}
	}
	specify(t, rules.RuleActiveApproval, false, []rule{
		{name: "chlorothalonil, last day in the EU", change: on("chlorothalonil", "DE", "2020-05-20"), want: "warn", says: "until 2020-05-20"},
		{name: "chlorothalonil, a day later", change: on("chlorothalonil", "DE", "2020-05-21"), want: "refuse", says: "not approved in EU"},
		{name: "chlorothalonil in the US", change: on("chlorothalonil", "US", "2026-05-21"), want: "pass"},
		{name: "dimethomorph, a day later", change: on("dimethomorph", "FR", "2025-05-21"), want: "refuse"},
	})
}

func TestPeopleAndStore(t *testing.T) {
	held := func(expire string) func(*rules.Application) {
		return func(a *rules.Application) {
			onlyLine(a).Product.RestrictedUse = true
			a.Applicator.Certificates = []rules.Certificate{{Category: "3", ExpireDate: expire}}
		}
	}
	specify(t, rules.RuleCertifiedApplicator, false, []rule{
		{name: "anyone may apply it", want: ""},
		{name: "valid that day", change: held("2026-06-15"), want: "pass"},
		{name: "expired", change: held("2026-06-14"), want: "refuse", says: "Ada holds no certificate"},
		{name: "none", change: func(a *rules.Application) { onlyLine(a).Product.RestrictedUse = true }, want: "refuse"},
	})
	store := func(named string, containers ...rules.Container) func(*rules.Application) {
		return func(a *rules.Application) {
			onlyLine(a).Store = rules.Store{Counted: true, Named: named, Containers: containers}
		}
	}
	container := func(id, remaining, expires string) rules.Container {
		return rules.Container{ID: id, Remaining: amount(remaining), ExpireDate: expires}
	}
	specify(t, rules.RuleContainerExpired, false, []rule{
		{name: "on its last day", change: store("", container("c1", "20 g", "2026-06-15")), want: "pass"},
		{name: "a day after", change: store("", container("c1", "20 g", "2026-06-14")), want: "refuse"},
		{name: "one of two", change: store("", container("c1", "20 g", "2026-06-14"), container("c2", "20 g", "")), want: "pass"},
		{name: "the one named", change: store("c1", container("c1", "20 g", "2026-06-14"), container("c2", "20 g", "")), want: "refuse"},
	})
	specify(t, rules.RuleContainerLeft, true, []rule{
		{name: "exactly", change: store("", container("c1", "0.015 kg", "")), want: "pass"},
		{name: "too little", change: store("", container("c1", "14.999999 g", "")), want: "refuse"},
		{name: "two together", change: store("", container("c1", "10 g", ""), container("c2", "5 g", "")), want: "pass"},
		{name: "what is expired does not count", change: store("", container("c1", "10 g", "2026-06-14"), container("c2", "10 g", "")), want: "refuse"},
		{name: "the one named holds too little", change: store("c1", container("c1", "10 g", ""), container("c2", "100 g", "")), want: "refuse"},
		{name: "nothing left", change: store(""), want: "refuse"},
		{name: "of the store and of the one named", of: func() rules.Application {
			a := plain()
			second := a.Treatments[0]
			second.House, second.Lines = "south", slices.Clone(second.Lines)
			a.Treatments = append(a.Treatments, second)
			containers := []rules.Container{container("c1", "20 g", "")}
			a.Treatments[0].Lines[0].Store = rules.Store{Counted: true, Containers: containers}
			a.Treatments[1].Lines[0].Store = rules.Store{Counted: true, Containers: containers, Named: "c1"}
			return a
		}, want: "refuse", says: "30 g"},
		{name: "two houses together", change: func(a *rules.Application) {
			store("", container("c1", "20 g", ""))(a)
			second := a.Treatments[0]
			second.House = "south"
			a.Treatments = append(a.Treatments, second)
		}, want: "refuse", says: "30 g"},
	})
	specify(t, rules.RuleContainerUnknown, false, []rule{
		{name: "not there", change: store("c9", container("c1", "100 g", "")), want: "refuse"},
		{name: "there", change: store("c1", container("c1", "100 g", "")), want: ""},
	})
	specify(t, rules.RuleContainerCounted, false, []rule{
		{name: "never entered", change: func(a *rules.Application) { onlyLine(a).Store = rules.Store{} }, want: "warn"},
		{name: "entered", want: ""},
	})
}

// 40 CFR 156.208(c), from memory: the interval where a label has none is 48 h in
// acute toxicity category I, 24 h in II, 12 h in III and IV. It is named, never
// taken.
func TestPublishedDefaultRestrictedEntryIsNamedAndNotTaken(t *testing.T) {
	for category, hours := range map[productsv1.ToxicityCategory]string{
		productsv1.ToxicityCategory_TOXICITY_CATEGORY_I:   "48 h",
		productsv1.ToxicityCategory_TOXICITY_CATEGORY_II:  "24 h",
		productsv1.ToxicityCategory_TOXICITY_CATEGORY_III: "12 h",
		productsv1.ToxicityCategory_TOXICITY_CATEGORY_IV:  "12 h",
	} {
		a := plain()
		onlyLine(&a).Product.ToxicityCategory = category
		label(&a).RestrictedEntryInterval = products.Direction{}.RestrictedEntryInterval
		v, _ := verdictOn(t, a, nil, rules.RuleLabelFactMissing)
		require.Equal(t, rules.Refuse, v.Outcome)
		require.Contains(t, v.Message, "the law's default is "+hours)
		require.False(t, v.Overridable)
	}
}

// Last days of use in the EU: chlorothalonil 20 May 2020 (Regulation (EU)
// 2019/677), thiophanate-methyl 19 October 2021 (2020/1498), dimethomorph 20 May
// 2025 (2024/1207), iprodione 5 June 2018 (2017/2091).
func TestPublishedLastDaysOfUseInTheEU(t *testing.T) {
	for active, last := range map[string]string{
		"chlorothalonil": "2020-05-20", "thiophanate-methyl": "2021-10-19", "dimethomorph": "2025-05-20", "iprodione": "2018-06-05",
	} {
		a := mix(product(active, active))
		a.Jurisdiction, onlyLine(&a).Product.Jurisdiction = "DE", "DE"
		a.Start = at(last + " 23:59")
		v, _ := verdictOn(t, a, nil, rules.RuleActiveApproval)
		require.Equal(t, rules.Warn, v.Outcome, v.Message)
		a.Start = a.Start.Add(time.Minute)
		v, _ = verdictOn(t, a, nil, rules.RuleActiveApproval)
		require.Equal(t, rules.Refuse, v.Outcome, v.Message)
	}
}
