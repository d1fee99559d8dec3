package products

import (
	"slices"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/rpc/rpctest"
)

// whole is a valid liquid whose label has every fact.
func whole() *productsv1.Product {
	days := int32(0)
	return &productsv1.Product{
		DisplayName: "Whole label", RegistrationNumber: "L3", Form: liquidForm,
		Formulation: productsv1.Formulation_FORMULATION_SC, Jurisdiction: "ZA",
		RegistrationExpireDate: &typev1.Date{Value: "2028-02-29"},
		ToxicityCategory:       productsv1.ToxicityCategory_TOXICITY_CATEGORY_III,
		Cost:                   &typev1.Money{CurrencyCode: "ZAR", Amount: "850.5"}, CostPer: amount("1", "L"),
		Respirator: productsv1.LabelAnswer_LABEL_ANSWER_NO, DoubleNotification: productsv1.LabelAnswer_LABEL_ANSWER_NO,
		InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_YES, InhalationLevel: amount("0.75", "ppm"),
		Organophosphate: productsv1.LabelAnswer_LABEL_ANSWER_NO,
		FirstAid:        "If on skin: wash with water.\nCall a physician.", SafetyDataSheet: "2026-01-05, office, green folder",
		TimeLimited: productsv1.LabelAnswer_LABEL_ANSWER_YES, StageLimited: productsv1.LabelAnswer_LABEL_ANSWER_NO,
		Contents: []*productsv1.Content{{ActiveIngredient: "azoxystrobin", Amount: amount("250", "g/L")}},
		Directions: []*productsv1.LabelDirection{{
			Method: spray, DisorderClasses: []diagnosisv1.DisorderClass{fungus, oomycete},
			Crops: []string{"orchids", "Rosa"}, Sites: []productsv1.Site{productsv1.Site_SITE_GREENHOUSE},
			Disorders: []string{"black-rot", "grey-mould"},
			RateMin:   amount("6", "fl oz/100 gal"), RateMax: amount("12", "fl oz/100 gal"),
			WaterVolumeMin: amount("200", "L/ha"), WaterVolumeMax: amount("1000", "L/ha"),
			RestrictedEntryInterval: amount("4", "h"), MinIntervalDays: 14,
			MaxApplicationsPerCropCycle: 2, MaxApplicationsPerYear: 4, MaxConsecutiveApplications: 1,
			ActiveLimits:     []*productsv1.ActiveLimit{{ActiveIngredient: "azoxystrobin", MostPerYear: amount("1.5", "kg/ha")}},
			SaleIntervalDays: &days, TemperatureMin: amount("-5", "Cel"), TemperatureMax: amount("30", "Cel"),
			OpenBloom: productsv1.Permission_PERMISSION_FORBIDDEN, Chemigation: productsv1.Permission_PERMISSION_ALLOWED,
			ProtectiveEquipment: "Gloves;\nface shield",
		}},
	}
}

func TestEveryFactOfALabelIsKept(t *testing.T) {
	f := setUp(t)
	product := whole()
	made, err := f.client.CreateProduct(f.manager, create("whole", product))
	require.NoError(t, err)
	product.Name, product.Etag, product.CreateTime = made.GetName(), made.GetEtag(), made.GetCreateTime()
	require.True(t, proto.Equal(product, made), made)

	read, err := ReadProduct(t.Context(), f.db, "test", "whole")
	require.NoError(t, err)
	require.Empty(t, read.Directions[0].Missing())
	all, err := ReadProducts(t.Context(), f.db, "test")
	require.NoError(t, err)
	require.Equal(t, []Product{read}, all)

	// The other order of amounts, each absent once.
	direction := product.GetDirections()[0]
	direction.WaterVolumeMin, direction.TemperatureMax, direction.SaleIntervalDays = nil, nil, nil
	direction.SilentOn = []productsv1.LabelFact{productsv1.LabelFact_LABEL_FACT_SALE_INTERVAL}
	product.Cost, product.CostPer, product.RegistrationExpireDate = nil, nil, nil
	product.InhalationLimited, product.InhalationLevel = productsv1.LabelAnswer_LABEL_ANSWER_NO, nil
	product.Respirator, product.FirstAid = productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED, ""
	changed, err := f.client.UpdateProduct(f.manager, &productsv1.UpdateProductRequest{
		Product: product, UpdateMask: everything(), RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	product.Etag = changed.GetEtag()
	require.True(t, proto.Equal(product, changed), changed)
}

func TestAliasesAndCropsAreKeptInOneForm(t *testing.T) {
	f := setUp(t)
	product := solid()
	product.Contents[0].ActiveIngredient = "Methyl  Thiophanate"
	product.Directions[0].Crops = []string{"ORCHIDS", "cymbidium LOWIANUM"}
	product.Directions[0].ActiveLimits = []*productsv1.ActiveLimit{{ActiveIngredient: "thiophanate methyl", MostPerYear: amount("2", "lb/acre")}}
	made, err := f.client.CreateProduct(f.manager, create("solid", product))
	require.NoError(t, err)
	require.Equal(t, "thiophanate-methyl", made.GetContents()[0].GetActiveIngredient())
	require.Equal(t, "thiophanate-methyl", made.GetDirections()[0].GetActiveLimits()[0].GetActiveIngredient())
	require.Equal(t, []string{"orchids", "Cymbidium lowianum"}, made.GetDirections()[0].GetCrops())
}

func TestLabelIsRefusedByField(t *testing.T) {
	for _, test := range []struct {
		name   string
		field  string
		change func(*productsv1.Product, *productsv1.LabelDirection)
	}{
		{"a registration that ends on no day", "product.registration_expire_date",
			func(p *productsv1.Product, _ *productsv1.LabelDirection) {
				p.RegistrationExpireDate = &typev1.Date{Value: "2027-02-29"}
			}},
		{"a cost without its amount", "product.cost_per", func(p *productsv1.Product, _ *productsv1.LabelDirection) { p.CostPer = nil }},
		{"an amount without its cost", "product.cost", func(p *productsv1.Product, _ *productsv1.LabelDirection) { p.Cost = nil }},
		{"a cost per kilogram of a liquid", "product.cost_per", func(p *productsv1.Product, _ *productsv1.LabelDirection) { p.CostPer = amount("1", "kg") }},
		{"a cost of nothing", "product.cost_per", func(p *productsv1.Product, _ *productsv1.LabelDirection) { p.CostPer = amount("0", "L") }},
		{"a name with a tab", "product.display_name", func(p *productsv1.Product, _ *productsv1.LabelDirection) { p.DisplayName = "a\tb" }},
		{"a number with a space behind", "product.registration_number", func(p *productsv1.Product, _ *productsv1.LabelDirection) { p.RegistrationNumber = "L1 " }},
		{"rates in two units", "product.directions[0].rate_max", func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.RateMax = amount("1", "mL/L") }},
		{"a rate in no unit", "product.directions[0].rate_min", func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.RateMin = amount("1", "drum/L") }},
		{"a mass of a liquid", "product.directions[0].rate_min", func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.RateMin = amount("1", "g/L") }},
		{"water by weight", "product.directions[0].water_volume_min", func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.WaterVolumeMin = amount("1", "kg/ha") }},
		{"least water above most", "product.directions[0].water_volume_max", func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.WaterVolumeMax = amount("100", "L/ha") }},
		{"water in two units", "product.directions[0].water_volume_max", func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.WaterVolumeMax = amount("1", "L/m2") }},
		{"a temperature as a share", "product.directions[0].temperature_min", func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.TemperatureMin = amount("1", "%") }},
		{"a temperature in Fahrenheit", "product.directions[0].temperature_max", func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.TemperatureMax = amount("85", "Cel") }},
		{"an entry interval of years", "product.directions[0].restricted_entry_interval", func(_ *productsv1.Product, d *productsv1.LabelDirection) {
			d.RestrictedEntryInterval = amount("999999999999", "h")
		}},
		{"a powder that is measured by volume", "product.formulation", func(p *productsv1.Product, _ *productsv1.LabelDirection) {
			p.Formulation = productsv1.Formulation_FORMULATION_WP
		}},
		{"temperatures the wrong way round", "product.directions[0].temperature_max", func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.TemperatureMax = amount("-6", "Cel") }},
		{"a limit of another active", "product.directions[0].active_limits[0].active_ingredient",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) {
				d.ActiveLimits[0].ActiveIngredient = "captan"
			}},
		{"a limit of no active", "product.directions[0].active_limits[0].active_ingredient",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) {
				d.ActiveLimits[0].ActiveIngredient = "benlate"
			}},
		{"a limit twice", "product.directions[0].active_limits[1].active_ingredient",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) {
				d.ActiveLimits = append(d.ActiveLimits, proto.CloneOf(d.GetActiveLimits()[0]))
			}},
		{"a limit of zero", "product.directions[0].active_limits[0].most_per_year",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) {
				d.ActiveLimits[0].MostPerYear = amount("0", "kg/ha")
			}},
		{"a limit by volume", "product.directions[0].active_limits[0].most_per_year",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) {
				d.ActiveLimits[0].MostPerYear = amount("1", "L/ha")
			}},
		{"a label silent on re-entry", "product.directions[0].silent_on[0]", func(_ *productsv1.Product, d *productsv1.LabelDirection) {
			d.RestrictedEntryInterval = nil
			d.SilentOn = []productsv1.LabelFact{productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL}
		}},
		{"a label silent on what it says", "product.directions[0].silent_on[0]",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) {
				d.SilentOn = []productsv1.LabelFact{productsv1.LabelFact_LABEL_FACT_SALE_INTERVAL}
			}},
		{"a disorder that nobody knows", "product.directions[0].disorders[0]",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.Disorders[0] = "measles" }},
		{"a disorder of another class", "product.directions[0].disorders[0]",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) {
				d.DisorderClasses = []diagnosisv1.DisorderClass{fungus}
			}},
		{"a crop twice", "product.directions[0].crops[1]",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.Crops = []string{"Rosa", "rosa"} }},
		{"a crop that is none", "product.directions[0].crops[0]",
			func(_ *productsv1.Product, d *productsv1.LabelDirection) { d.Crops[0] = "=Rosa" }},
		{"the same direction twice", "product.directions[1].disorder_classes[0]",
			func(p *productsv1.Product, d *productsv1.LabelDirection) {
				p.Directions = append(p.Directions, proto.CloneOf(d))
			}},
	} {
		t.Run(test.name, func(t *testing.T) {
			product := whole()
			test.change(product, product.GetDirections()[0])
			_, faults := readProduct("product", "refused", product, names{})
			require.NotEmpty(t, faults)
			require.Equal(t, test.field, faults[0].Field, faults[0].Message)
		})
	}
}

func TestPartsPerMillionOfAMixtureAreRefusedByField(t *testing.T) {
	f := setUp(t)
	product := liquid()
	product.Directions[0].RateMin = amount("100", "ppm")
	product.Directions[0].RateMax = amount("100", "ppm")
	_, err := f.client.CreateProduct(f.manager, create("refused", product))
	message, values := rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
	require.Contains(t, message, "of which?")
	require.Equal(t, "ppm", values["unit"])
}

// Two directions are told apart by what DirectionFor can tell them apart by.
func TestDirectionsThatCoverTheSameUseAreRefused(t *testing.T) {
	base := func() *productsv1.LabelDirection {
		return &productsv1.LabelDirection{
			Method: spray, DisorderClasses: []diagnosisv1.DisorderClass{fungus},
			RateMin: amount("1", "mL/L"), RateMax: amount("1", "mL/L"),
		}
	}
	for _, test := range []struct {
		name   string
		change func(a, b *productsv1.LabelDirection)
		good   bool
	}{
		{"alike", func(_, _ *productsv1.LabelDirection) {}, false},
		{"another method", func(_, b *productsv1.LabelDirection) { b.Method = drench }, true},
		{"another class", func(_, b *productsv1.LabelDirection) { b.DisorderClasses = []diagnosisv1.DisorderClass{oomycete} }, true},
		{"one names the disorder", func(_, b *productsv1.LabelDirection) { b.Disorders = []string{"grey-mould"} }, true},
		{"both name one disorder", func(a, b *productsv1.LabelDirection) {
			a.Disorders, b.Disorders = []string{"grey-mould", "rust"}, []string{"grey-mould"}
		}, false},
		{"they name two disorders", func(a, b *productsv1.LabelDirection) {
			a.Disorders, b.Disorders = []string{"rust"}, []string{"grey-mould"}
		}, true},
		{"they are for two sites", func(a, b *productsv1.LabelDirection) {
			a.Sites, b.Sites = []productsv1.Site{productsv1.Site_SITE_GREENHOUSE}, []productsv1.Site{productsv1.Site_SITE_OUTDOOR}
		}, true},
		{"one is for every site", func(a, _ *productsv1.LabelDirection) {
			a.Sites = []productsv1.Site{productsv1.Site_SITE_GREENHOUSE}
		}, false},
		{"they are for two crops", func(a, b *productsv1.LabelDirection) { a.Crops, b.Crops = []string{"orchids"}, []string{"Rosa"} }, true},
		{"one crop belongs to the other", func(a, b *productsv1.LabelDirection) {
			a.Crops, b.Crops = []string{"orchids"}, []string{"Cymbidium lowianum"}
		}, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			a, b := base(), base()
			test.change(a, b)
			product := liquid()
			product.Directions = []*productsv1.LabelDirection{a, b}
			_, faults := readProduct("product", "x", product, names{})
			if test.good {
				require.Empty(t, faults)
				return
			}
			require.Len(t, faults, 1)
			require.Equal(t, "product.directions[1].disorder_classes[0]", faults[0].Field)
		})
	}
}

func TestTheMoreSpecificDirectionDecides(t *testing.T) {
	product := liquid()
	general := product.GetDirections()[0]
	special := proto.CloneOf(general)
	special.Disorders, special.RateMax = []string{"grey-mould"}, amount("2", "mL/L")
	product.Directions = append(product.Directions, special)
	read, faults := readProduct("product", "x", product, names{})
	require.Empty(t, faults)

	direction, listing := read.DirectionFor(Use{Method: spray, Class: fungus, Disorder: "grey-mould"})
	require.Equal(t, Listed, listing)
	require.Equal(t, "2 mL/L", direction.RateMax.String())
	direction, _ = read.DirectionFor(Use{Method: spray, Class: fungus, Disorder: "rust"})
	require.Equal(t, "1 mL/L", direction.RateMax.String())
}

func TestAProductInTheStoreKeepsItsForm(t *testing.T) {
	f := setUp(t)
	made, err := f.client.CreateProduct(f.manager, create("whole", whole()))
	require.NoError(t, err)
	_, err = f.client.CreateContainer(f.manager, &productsv1.CreateContainerRequest{
		Parent: made.GetName(), ContainerId: "b1", RequestId: uuid.NewString(),
		Container: &productsv1.Container{Size: amount("1", "L"), ReceiveDate: &typev1.Date{Value: "2026-03-01"}},
	})
	require.NoError(t, err)
	weighed := solid()
	weighed.Name = made.GetName()
	_, err = f.client.UpdateProduct(f.manager, &productsv1.UpdateProductRequest{
		Product: weighed, UpdateMask: everything(), RequestId: uuid.NewString(),
	})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)

	file, err := writeCSV([]Product{{ID: "whole", DisplayName: "W", RegistrationNumber: "L", Form: solidForm, Contents: []Content{
		{ActiveIngredient: "captan", Amount: quantity.Must("500", "g/kg")},
	}}})
	require.NoError(t, err)
	dry := importRequest(csvFormat, string(file))
	dry.ValidateOnly = true
	_, err = f.client.ImportProducts(f.manager, dry)
	require.Contains(t, rejected(t, err)["whole.form"], "must stay liquid")
}

// Each row is one step further along a label.
func TestHowFarALabelGoesAlong(t *testing.T) {
	product, faults := readProduct("product", "whole", whole(), names{})
	require.Empty(t, faults)
	use := Use{Method: spray, Class: fungus, Disorder: "grey-mould", Site: productsv1.Site_SITE_GREENHOUSE, Crops: []string{"Vanda coerulea", "Rosa chinensis"}}
	for _, test := range []struct {
		name   string
		change func(*Use)
		want   Listing
	}{
		{"another method", func(u *Use) { u.Method = drench }, MethodNotListed},
		{"another class", func(u *Use) { u.Class = bacterium }, DisorderNotListed},
		{"another disorder of the class", func(u *Use) { u.Disorder = "rust" }, DisorderNotListed},
		{"another site", func(u *Use) { u.Site = productsv1.Site_SITE_OUTDOOR }, SiteNotListed},
		{"one plant that is not listed", func(u *Use) { u.Crops = append(u.Crops, "Ficus lyrata") }, CropNotListed},
		{"a site that is not known", func(u *Use) { u.Site = productsv1.Site_SITE_UNSPECIFIED }, Listed},
		{"everything as it says", func(*Use) {}, Listed},
	} {
		t.Run(test.name, func(t *testing.T) {
			asked := use
			asked.Crops = slices.Clone(use.Crops)
			test.change(&asked)
			_, listing := product.DirectionFor(asked)
			require.Equal(t, test.want, listing)
		})
	}
}
