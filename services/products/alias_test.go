package products

import (
	"slices"
	"sync"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func aliasRequest(name, active string) *productsv1.CreateAliasRequest {
	return &productsv1.CreateAliasRequest{
		Parent: "nurseries/test", RequestId: uuid.NewString(),
		Alias: &productsv1.Alias{DisplayName: name, ActiveIngredient: active, Source: "printed label"},
	}
}

func TestAliasIsAnotherNameOfOneActive(t *testing.T) {
	f := setUp(t)
	made, err := f.client.CreateAlias(f.manager, aliasRequest("Captane  Technical", "captan"))
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/aliases/captane-technical", made.GetName())
	require.False(t, made.GetShipped())

	// A product may be entered by it, and keeps the identifier.
	product := solid()
	product.Contents[0].ActiveIngredient = "captane technical"
	stored, err := f.client.CreateProduct(f.manager, create("captan", product))
	require.NoError(t, err)
	require.Equal(t, "captan", stored.GetContents()[0].GetActiveIngredient())

	list, err := f.client.ListAliases(f.manager, &productsv1.ListAliasesRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	byName := map[string]*productsv1.Alias{}
	for _, alias := range list.GetAliases() {
		byName[alias.GetDisplayName()] = alias
	}
	require.Equal(t, "printed label", byName["Captane  Technical"].GetSource())
	require.True(t, byName["metalaxyl-M"].GetShipped())
	require.Equal(t, "mefenoxam", byName["metalaxyl-M"].GetActiveIngredient())

	_, err = f.client.CreateAlias(f.manager, aliasRequest("CAPTANE-technical", "captan"))
	rpctest.Refused(t, err, codes.AlreadyExists, fault.AlreadyExists)
	_, err = f.client.CreateAlias(f.manager, aliasRequest("Sulfur", "sulphur"))
	rpctest.Refused(t, err, codes.AlreadyExists, fault.AlreadyExists)
	_, err = f.client.CreateAlias(f.manager, aliasRequest("captane technical", "mancozeb"))
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.AliasConflict)
}

func TestASynonymNeverStandsInForAnotherActive(t *testing.T) {
	f := setUp(t)
	for _, test := range []struct{ name, active, explained string }{
		{"epoxiconazole", "thiophanate-methyl",
			"epoxiconazole is itself an active ingredient (FRAC 3, DMI); thiophanate-methyl is FRAC 1, MBC: they are different substances"},
		{"Thiophanate Methyl", "epoxiconazole",
			"Thiophanate Methyl is itself an active ingredient (FRAC 1, MBC); epoxiconazole is FRAC 3, DMI: they are different substances"},
		{"metalaxyl-m", "metalaxyl",
			"metalaxyl-m is another name of mefenoxam (FRAC 4, phenylamide); metalaxyl is FRAC 4, phenylamide: they are different substances"},
		{"calcium polysulfide", "sulphur",
			"calcium polysulfide is another name of lime sulphur (FRAC M02, inorganic); sulphur is FRAC M02, inorganic: they are different substances"},
		{"ThiophanateMethyl", "epoxiconazole",
			"ThiophanateMethyl is thiophanate-methyl with other spaces and hyphens (FRAC 1, MBC); epoxiconazole is FRAC 3, DMI: they are different substances"},
		{"epoxi conazole", "thiophanate-methyl",
			"epoxi conazole is epoxiconazole with other spaces and hyphens (FRAC 3, DMI); thiophanate-methyl is FRAC 1, MBC: they are different substances"},
		{"methylthiophanate", "epoxiconazole",
			"methylthiophanate is another name of thiophanate-methyl (FRAC 1, MBC); epoxiconazole is FRAC 3, DMI: they are different substances"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := f.client.CreateAlias(f.manager, aliasRequest(test.name, test.active))
			message, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.AliasConflict)
			require.Contains(t, message, test.explained)
			require.Equal(t, test.active, values["active_ingredient"])
			require.NotEmpty(t, values["frac_code"])
			require.NotEmpty(t, values["means_frac_code"])
		})
	}
}

func TestAliasIsRefusedByField(t *testing.T) {
	f := setUp(t)
	for field, request := range map[string]*productsv1.CreateAliasRequest{
		"alias.active_ingredient": aliasRequest("something", "benlate"),
		"alias.display_name":      aliasRequest("50% captan", "captan"),
	} {
		_, err := f.client.CreateAlias(f.manager, request)
		rpctest.RefusedField(t, err, field)
	}
	_, err := f.client.CreateAlias(rpctest.As(t.Context(), rpctest.Worker), aliasRequest("x captan", "captan"))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestAliasRequestIsDoneOnce(t *testing.T) {
	f := setUp(t)
	request := aliasRequest("captane", "captan")
	made, err := f.client.CreateAlias(f.manager, request)
	require.NoError(t, err)
	again, err := f.client.CreateAlias(f.manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(made, again))
}

func TestNurseriesNameActivesIndependently(t *testing.T) {
	f := setUp(t)
	_, err := f.client.CreateAlias(f.manager, aliasRequest("captane", "captan"))
	require.NoError(t, err)
	known, err := readNames(t.Context(), f.db, "test")
	require.NoError(t, err)
	other, err := readNames(t.Context(), f.db, "other")
	require.NoError(t, err)
	_, means := known.resolve("Captane")
	require.True(t, means)
	_, means = other.resolve("Captane")
	require.False(t, means)
}

func TestNamesAreEvenedOutInCaseSpacesAndHyphensOnly(t *testing.T) {
	for typed, want := range map[string]string{
		"Metalaxyl-M": "metalaxyl-m", " metalaxyl  M ": "metalaxyl-m", "metalaxyl–M": "metalaxyl-m", "metalaxyl--m": "metalaxyl-m",
		"sulfur": "sulfur", "sulphur": "sulphur", "": "",
	} {
		require.Equal(t, want, normalName(typed), typed)
	}
}

// Two people add the same name at once, each for another active ingredient: one
// of them is refused, and told what the name means.
func TestOfTwoWhoAddANameAtOnceOneIsRefused(t *testing.T) {
	f := setUp(t)
	for _, names := range [][2]string{{"twin", "twin"}, {"twin two", "twintwo"}} {
		refusals := make([]error, 2)
		var people sync.WaitGroup
		for i, active := range []string{"captan", "mancozeb"} {
			people.Go(func() { _, refusals[i] = f.client.CreateAlias(f.manager, aliasRequest(names[i], active)) })
		}
		people.Wait()
		refused := slices.DeleteFunc(refusals, func(err error) bool { return err == nil })
		require.Len(t, refused, 1)
		rpctest.Refused(t, refused[0], codes.FailedPrecondition, fault.AliasConflict)
	}
}

// Letters of other scripts that look Latin make no name of an active ingredient.
func TestALookAlikeIsNoName(t *testing.T) {
	f := setUp(t)
	for _, name := range []string{"cаptan", "thiophanate\u00admethyl", "thiophanate\u200bmethyl", "ｃaptan"} {
		_, err := f.client.CreateAlias(f.manager, aliasRequest(name, "epoxiconazole"))
		rpctest.RefusedField(t, err, "alias.display_name")
		product := solid()
		product.Contents[0].ActiveIngredient = name
		_, err = f.client.CreateProduct(f.manager, create("alike", product))
		rpctest.RefusedField(t, err, "product.contents[0].active_ingredient")
	}
}
