package products

import (
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

// named is a valid product of a name, a number and one content in g/kg.
func named(name, number, active, grams string) *productsv1.Product {
	product := solid()
	product.DisplayName, product.RegistrationNumber = name, number
	product.Contents = []*productsv1.Content{{ActiveIngredient: active, Amount: amount(grams, "g/kg")}}
	return product
}

func (f fixture) update(id string, product *productsv1.Product) error {
	product.Name = "nurseries/test/products/" + id
	_, err := f.client.UpdateProduct(f.manager, &productsv1.UpdateProductRequest{
		Product: product, UpdateMask: everything(), RequestId: uuid.NewString(),
	})
	return err
}

func TestAnAliasIsNoProductsName(t *testing.T) {
	f := setUp(t)
	oil := named("Invented Oil WP", "N1", "thiophanate-methyl", "500")
	oil.Contents = append(oil.Contents, &productsv1.Content{ActiveIngredient: "tebuconazole", Amount: amount("100", "g/kg")})
	_, err := f.client.CreateProduct(f.manager, create("oil", oil))
	require.NoError(t, err)
	for _, name := range []string{"Invented Oil WP", "invented-oil wp", "InventedOil WP"} {
		_, err = f.client.CreateAlias(f.manager, aliasRequest(name, "captan"))
		message, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.AliasConflict)
		require.Contains(t, message, name+" is the name of the product oil, which contains thiophanate-methyl 500 g/kg (FRAC 1, MBC) and tebuconazole 100 g/kg (FRAC 3, DMI); captan is FRAC M04")
		require.Equal(t, "oil", values["product"])
		require.Equal(t, "captan", values["active_ingredient"])
	}
	// Not for what it contains either: it is more than that.
	_, err = f.client.CreateAlias(f.manager, aliasRequest("Invented Oil WP", "tebuconazole"))
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.AliasConflict)
	_, err = f.client.CreateAlias(f.manager, aliasRequest("Invented Oil", "captan"))
	require.NoError(t, err, "another name")
}

func TestAProductIsNotCalledAfterAnActiveThatItDoesNotContain(t *testing.T) {
	f := setUp(t)
	_, err := f.client.CreateAlias(f.manager, aliasRequest("Captane", "captan"))
	require.NoError(t, err)
	_, err = f.client.CreateProduct(f.manager, create("standing", named("Standing", "N1", "mancozeb", "500")))
	require.NoError(t, err)
	for _, test := range []struct{ name, explained string }{
		{"captane", "captane means the active ingredient captan (FRAC M04"},
		{"Captan", "Captan means the active ingredient captan"},
		{"Thiophanate Methyl", "it contains mancozeb 500 g/kg (FRAC M03"},
		{"Metalaxyl-M", "means the active ingredient mefenoxam"},
		{"epoxi conazole", "means the active ingredient epoxiconazole"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := f.client.CreateProduct(f.manager, create("new", named(test.name, "N2", "mancozeb", "500")))
			message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.AliasConflict)
			require.Contains(t, message, test.explained)

			message, _ = rpctest.Refused(t, f.update("standing", named(test.name, "N1", "mancozeb", "500")), codes.FailedPrecondition, fault.AliasConflict)
			require.Contains(t, message, test.explained)

			file := "product,display_name,registration_number,form,contents\nnew," + test.name + ",N2,solid,mancozeb: 500 g/kg\n"
			_, err = f.client.ImportProducts(f.manager, importRequest(csvFormat, file))
			require.Contains(t, rejected(t, err)["rows[2].display_name"], test.explained)
		})
	}
	// What it contains it may be called.
	_, err = f.client.CreateProduct(f.manager, create("captan", named("Captan", "N3", "captan", "500")))
	require.NoError(t, err)
	_, err = f.client.CreateProduct(f.manager, create("captane", named("CAPTANE", "N4", "captan", "800")))
	require.NoError(t, err)
	// And whoever takes it out must change the name.
	rpctest.Refused(t, f.update("captan", named("Captan", "N3", "mancozeb", "500")), codes.FailedPrecondition, fault.AliasConflict)
}

func TestContentsNameNoProduct(t *testing.T) {
	f := setUp(t)
	_, err := f.client.CreateProduct(f.manager, create("oil", named("Invented Oil", "N1", "mancozeb", "500")))
	require.NoError(t, err)
	_, err = f.client.CreateProduct(f.manager, create("new", named("New", "N2", "invented oil", "500")))
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.AliasConflict)
	require.Contains(t, message, "invented oil is the name of the product oil, which contains mancozeb 500 g/kg (FRAC M03")

	// In one file, whichever stands first.
	const header = "product,display_name,registration_number,form,contents\n"
	rows := []string{"a,Mixed One,N3,solid,Second: 500 g/kg\n", "b,Second,N4,solid,mancozeb: 500 g/kg\n"}
	_, err = f.client.ImportProducts(f.manager, importRequest(csvFormat, header+rows[0]+rows[1]))
	require.Contains(t, rejected(t, err)["rows[2].contents"], "Second is the name of the product b")
	_, err = f.client.ImportProducts(f.manager, importRequest(csvFormat, header+rows[1]+rows[0]))
	require.Contains(t, rejected(t, err)["rows[3].contents"], "Second is the name of the product b")

	// An alias that stood before names were compared stands for nothing any more.
	err = f.db.InTx(t.Context(), func(tx pgx.Tx) error {
		_, err := tx.Exec(t.Context(), `
		INSERT INTO products.alias (nursery, id, display_name, active_ingredient, source, create_time)
		VALUES ('test', 'invented-oil', 'Invented Oil', 'captan', 'label', now())`)
		return err
	})
	require.NoError(t, err)
	_, err = f.client.ImportProducts(f.manager, importRequest(csvFormat, header+"a,New,N5,solid,Invented Oil: 500 g/kg\n"))
	require.Contains(t, rejected(t, err)["rows[2].contents"], "an active ingredient is meant here")
}

func TestOneRegistrationIsOneProduct(t *testing.T) {
	f := setUp(t)
	registered := func(number, law, active, grams string) *productsv1.Product {
		product := named("Product "+active, number, active, grams)
		product.Jurisdiction = law
		return product
	}
	_, err := f.client.CreateProduct(f.manager, create("first", registered("L 100", "GR", "mancozeb", "500")))
	require.NoError(t, err)
	for name, other := range map[string]*productsv1.Product{
		"another active":       registered("L 100", "GR", "captan", "500"),
		"another content":      registered("L 100", "GR", "mancozeb", "800"),
		"written another way":  registered("l100", "GR", "captan", "500"),
		"the country's second": registered("L 100", "EL", "captan", "500"),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := f.client.CreateProduct(f.manager, create("second", other))
			message := rpctest.RefusedField(t, err, "product.registration_number")
			require.Contains(t, message, "is the registration of the product first (Product mancozeb), which contains mancozeb 500 g/kg (FRAC M03")
		})
	}
	// Sizes of pack are entered apart; another law has its own numbers.
	_, err = f.client.CreateProduct(f.manager, create("small", registered("L 100", "GR", "mancozeb", "500.0")))
	require.NoError(t, err)
	_, err = f.client.CreateProduct(f.manager, create("abroad", registered("L 100", "ZA", "captan", "500")))
	require.NoError(t, err)

	// Nor does a change bring it about.
	rpctest.RefusedField(t, f.update("small", registered("L 100", "GR", "mancozeb", "400")), "product.registration_number")
	rpctest.RefusedField(t, f.update("abroad", registered("L 100", "GR", "captan", "500")), "product.registration_number")
	moved := registered("L 101", "GR", "captan", "500")
	moved.Directions = nil
	require.NoError(t, f.update("abroad", moved))

	// Nor a file, by itself or with what stands; one that mends all at once passes.
	const header = "product,display_name,registration_number,form,contents,jurisdiction\n"
	row := func(id, number, contents string) string {
		return id + ",P " + id + "," + number + ",solid," + contents + ",GR\n"
	}
	_, err = f.client.ImportProducts(f.manager, importRequest(csvFormat, header+row("x", "N9", "captan: 500 g/kg")+row("y", "N9", "captan: 50 g/kg")))
	rules := rejected(t, err)
	require.Contains(t, rules["rows[2].registration_number"], "the product y")
	require.Contains(t, rules["rows[3].registration_number"], "the product x")
	_, err = f.client.ImportProducts(f.manager, importRequest(csvFormat, header+row("x", "L 101", "captan: 400 g/kg")))
	require.Contains(t, rejected(t, err)["rows[2].registration_number"], "the product abroad")
	done, err := f.client.ImportProducts(f.manager, importRequest(csvFormat, header+row("x", "L 101", "captan: 400 g/kg")+
		strings.Replace(row("abroad", "L 101", "captan: 400 g/kg"), "P abroad", "Product captan", 1)+"stays,Stays,N1,solid,captan: 1 g/kg,ZA\n"))
	require.NoError(t, err)
	require.EqualValues(t, 2, done.GetCreated())
}

// The contents of a mixture stand in no order.
func TestContentsAreTheSameInAnyOrder(t *testing.T) {
	product, faults := readProduct(productField, "x", liquid(), names{})
	require.Empty(t, faults)
	turned := []Content{product.Contents[1], product.Contents[0]}
	require.True(t, sameContents(product.Contents, turned))
	require.False(t, sameContents(product.Contents, turned[:1]))
}

func TestOfTwoWhoAddANameAndAProductAtOnceOneIsRefused(t *testing.T) {
	f := setUp(t)
	refusals := make([]error, 2)
	var people sync.WaitGroup
	people.Go(func() { _, refusals[0] = f.client.CreateAlias(f.manager, aliasRequest("Twin", "captan")) })
	people.Go(func() {
		_, refusals[1] = f.client.CreateProduct(f.manager, create("twin", named("Twin", "N1", "mancozeb", "500")))
	})
	people.Wait()
	require.True(t, (refusals[0] == nil) != (refusals[1] == nil), "%v", refusals)
	for _, err := range refusals {
		if err != nil {
			rpctest.Refused(t, err, codes.FailedPrecondition, fault.AliasConflict)
		}
	}
}

func TestALawIsOneThatThereIs(t *testing.T) {
	f := setUp(t)
	for code, explained := range map[string]string{"XX": "not a country", "EU-CA": "no subdivisions", "QQ-ZZ": "cannot check the part after the hyphen"} {
		product := solid()
		product.Jurisdiction = code
		_, err := f.client.CreateProduct(f.manager, create("law", product))
		require.Contains(t, rpctest.RefusedField(t, err, "product.jurisdiction"), explained)
		_, err = f.client.ListApprovals(f.manager, &productsv1.ListApprovalsRequest{Parent: "nurseries/test", Jurisdiction: code})
		require.Contains(t, rpctest.RefusedField(t, err, "jurisdiction"), explained)
	}
	for i, code := range []string{"EU", "EL", "UK", "US-CA", ""} {
		product := solid()
		product.Jurisdiction = code
		_, err := f.client.CreateProduct(f.manager, create("law-"+string(rune('a'+i)), product))
		require.NoError(t, err, code)
	}
}
