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

// sprayDirection is a direction against fungi at a highest rate in g/L.
func sprayDirection(rate string, sites []productsv1.Site, disorders, crops []string) products.Direction {
	return products.Direction{
		Method: productsv1.Method_METHOD_SPRAY, Classes: []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS},
		RateMax: quantity.Must(rate, quantity.GramPerLitre), Sites: sites, Disorders: disorders, Crops: crops,
	}
}

func TestADoseIsNeverPickedWhereTheLabelHasSeveral(t *testing.T) {
	const greenhouse, outdoor, notKnown = productsv1.Site_SITE_GREENHOUSE, productsv1.Site_SITE_OUTDOOR, productsv1.Site_SITE_UNSPECIFIED
	under, open := []productsv1.Site{greenhouse}, []productsv1.Site{outdoor}
	rust := []string{"rust"}
	for _, test := range []struct {
		name       string
		site       productsv1.Site
		directions []products.Direction
		rate       string // empty where none may be picked
	}{
		{"one for every place", notKnown, []products.Direction{sprayDirection("1", nil, nil, nil)}, "1"},
		{"the one that names the disorder", notKnown, []products.Direction{sprayDirection("1", nil, nil, nil), sprayDirection("2", nil, rust, nil)}, "2"},
		{"two sites, and the house says which", greenhouse, []products.Direction{sprayDirection("1", under, nil, nil), sprayDirection("2", open, nil, nil)}, "1"},
		{"two sites, and nobody says which", notKnown, []products.Direction{sprayDirection("1", under, nil, nil), sprayDirection("2", open, nil, nil)}, ""},
		{"the named one is for the open only, and nobody says where", notKnown,
			[]products.Direction{sprayDirection("1", under, nil, nil), sprayDirection("2", open, rust, nil)}, ""},
		{"the named one is for the open only, and it is in the open", outdoor,
			[]products.Direction{sprayDirection("1", under, nil, nil), sprayDirection("2", open, rust, nil)}, "2"},
		{"the named one is for some crops only", greenhouse,
			[]products.Direction{sprayDirection("1", nil, nil, nil), sprayDirection("2", nil, rust, []string{"Vanda"})}, ""},
		{"two crops", greenhouse,
			[]products.Direction{sprayDirection("1", nil, nil, []string{"Vanda"}), sprayDirection("2", nil, nil, []string{"Phalaenopsis"})}, ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			product := products.Product{ID: "x", DisplayName: "X", Directions: test.directions}
			got, err := oneDirection("products[0].product", product, products.Use{
				Method: productsv1.Method_METHOD_SPRAY, Class: diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS, Disorder: "rust", Site: test.site,
			})
			if test.rate == "" {
				f, ok := fault.As(err)
				require.True(t, ok)
				require.Equal(t, fault.LabelFactMissing, f.Reason)
				return
			}
			require.NoError(t, err)
			require.Equal(t, test.rate+" g/L", got.RateMax.String())
		})
	}
}

func TestAnInjectorNeedsALabelThatAllowsChemigation(t *testing.T) {
	direction := sprayDirection("1", nil, nil, nil)
	refused := func(reason fault.Reason) {
		t.Helper()
		f, ok := fault.As(checkInjector(products.Product{ID: "x", DisplayName: "X"}, direction))
		require.True(t, ok)
		require.Equal(t, reason, f.Reason)
	}
	refused(fault.LabelFactMissing)
	direction.Chemigation = productsv1.Permission_PERMISSION_FORBIDDEN
	refused(fault.LabelUseNotListed)
	direction.Chemigation, direction.SilentOn = productsv1.Permission_PERMISSION_UNSPECIFIED, []productsv1.LabelFact{productsv1.LabelFact_LABEL_FACT_CHEMIGATION}
	refused(fault.LabelUseNotListed)
	direction.Chemigation, direction.SilentOn = productsv1.Permission_PERMISSION_ALLOWED, nil
	require.NoError(t, checkInjector(products.Product{ID: "x", DisplayName: "X"}, direction))
}

func TestTheSheetSaysWhatTheLabelTiesItTo(t *testing.T) {
	direction := sprayDirection("1", []productsv1.Site{productsv1.Site_SITE_GREENHOUSE}, nil, []string{"Phalaenopsis"})
	require.Equal(t, []string{
		"The label of X lists it on these plants only: Phalaenopsis.",
		"The label of X allows it in these places only: greenhouse.",
	}, remarks(products.Product{DisplayName: "X"}, direction, products.Use{}))
}
