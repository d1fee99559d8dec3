package products

import (
	"context"
	"fmt"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

type fixture struct {
	db      *pgtest.Database
	client  productsv1.ProductsServiceClient
	manager context.Context
}

func setUp(t *testing.T) fixture {
	t.Helper()
	db := pgtest.New(t)
	pgtest.AddNursery(t, db)
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		productsv1.RegisterProductsServiceServer(server, New(db.DB))
	})
	return fixture{db: db, client: productsv1.NewProductsServiceClient(conn), manager: rpctest.As(t.Context(), rpctest.Manager)}
}

func amount(value, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: value, Unit: unit} }

// solid is a valid product: half of it thiophanate-methyl.
func solid() *productsv1.Product {
	return &productsv1.Product{
		DisplayName: "Thiophanate 50 WP", RegistrationNumber: "L1", Form: productsv1.ProductForm_PRODUCT_FORM_SOLID,
		Contents: []*productsv1.Content{{ActiveIngredient: "thiophanate-methyl", Amount: amount("500", "g/kg")}},
		Directions: []*productsv1.LabelDirection{{
			Method: productsv1.Method_METHOD_BATH, DisorderClasses: []diagnosisv1.DisorderClass{fungus},
			RateMin: amount("0.5", "g/L"), RateMax: amount("1.5", "g/L"),
			RestrictedEntryInterval: amount("12", "h"), MinIntervalDays: 14, ProtectiveEquipment: "gloves",
		}},
	}
}

// liquid is a valid product with two active ingredients.
func liquid() *productsv1.Product {
	return &productsv1.Product{
		DisplayName: "Azoxystrobin and propiconazole SE", RegistrationNumber: "L2", Form: productsv1.ProductForm_PRODUCT_FORM_LIQUID,
		Contents: []*productsv1.Content{
			{ActiveIngredient: "azoxystrobin", Amount: amount("200", "g/L")},
			{ActiveIngredient: "propiconazole", Amount: amount("1100.125", "g/L")},
		},
		Directions: []*productsv1.LabelDirection{{
			Method: productsv1.Method_METHOD_SPRAY, DisorderClasses: []diagnosisv1.DisorderClass{fungus, oomycete},
			RateMin: amount("1", "mL/L"), RateMax: amount("1", "mL/L"),
		}},
		RestrictedUse: true,
	}
}

func everything() *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: []string{"*"}} }

func create(id string, product *productsv1.Product) *productsv1.CreateProductRequest {
	return &productsv1.CreateProductRequest{Parent: "nurseries/test", ProductId: id, Product: product, RequestId: uuid.NewString()}
}

func TestProductIsKeptAsItsLabelSays(t *testing.T) {
	f := setUp(t)
	for id, product := range map[string]*productsv1.Product{"solid": solid(), "liquid": liquid()} {
		t.Run(id, func(t *testing.T) {
			made, err := f.client.CreateProduct(f.manager, create(id, product))
			require.NoError(t, err)
			require.Equal(t, "nurseries/test/products/"+id, made.GetName())
			require.NotEmpty(t, made.GetEtag())
			require.NotNil(t, made.GetCreateTime())

			read, err := f.client.GetProduct(f.manager, &productsv1.GetProductRequest{Name: made.GetName()})
			require.NoError(t, err)
			require.True(t, proto.Equal(made, read))

			want := proto.CloneOf(product)
			want.Name, want.Etag, want.CreateTime = made.GetName(), made.GetEtag(), made.GetCreateTime()
			require.True(t, proto.Equal(want, read), read)
		})
	}
}

func TestAMissingEntryIntervalIsNotZeroHours(t *testing.T) {
	f := setUp(t)
	unknown, zero := solid(), solid()
	unknown.Directions[0].RestrictedEntryInterval = nil
	zero.Directions[0].RestrictedEntryInterval = amount("0", "h")
	for id, product := range map[string]*productsv1.Product{"unknown": unknown, "zero": zero} {
		_, err := f.client.CreateProduct(f.manager, create(id, product))
		require.NoError(t, err)
	}

	read, err := ReadProduct(t.Context(), f.db, "test", "unknown")
	require.NoError(t, err)
	require.True(t, read.Directions[0].RestrictedEntryInterval.IsZero())

	read, err = ReadProduct(t.Context(), f.db, "test", "zero")
	require.NoError(t, err)
	require.Equal(t, "0 h", read.Directions[0].RestrictedEntryInterval.String())
}

func TestProductIsRefusedByField(t *testing.T) {
	f := setUp(t)
	for _, test := range []struct {
		name    string
		field   string
		product func() *productsv1.Product
		change  func(*productsv1.Product)
	}{
		{"an active ingredient that the catalog does not know", "product.contents[0].active_ingredient", solid,
			func(p *productsv1.Product) { p.Contents[0].ActiveIngredient = "benlate" }},
		{"an active ingredient twice", "product.contents[1].active_ingredient", liquid,
			func(p *productsv1.Product) { p.Contents[1].ActiveIngredient = "azoxystrobin" }},
		{"a solid with a content per litre", "product.contents[0].amount", solid,
			func(p *productsv1.Product) { p.Contents[0].Amount = amount("500", "g/L") }},
		{"a liquid with a content per kilogram", "product.contents[1].amount", liquid,
			func(p *productsv1.Product) { p.Contents[1].Amount = amount("500", "g/kg") }},
		{"a content of zero", "product.contents[0].amount", solid,
			func(p *productsv1.Product) { p.Contents[0].Amount = amount("0.0", "g/kg") }},
		{"a content below zero", "product.contents[0].amount", solid,
			func(p *productsv1.Product) { p.Contents[0].Amount = amount("-1", "g/kg") }},
		{"more actives than a kilogram has grams", "product.contents[1].amount", solid, func(p *productsv1.Product) {
			p.Contents = append(p.Contents, &productsv1.Content{ActiveIngredient: "captan", Amount: amount("500.000001", "g/kg")})
		}},
		{"a solid measured in millilitres", "product.directions[0].rate_min", solid,
			func(p *productsv1.Product) { p.Directions[0].RateMin = amount("1", "mL/L") }},
		{"a liquid weighed", "product.directions[0].rate_max", liquid,
			func(p *productsv1.Product) { p.Directions[0].RateMax = amount("1", "g/L") }},
		{"a rate of zero", "product.directions[0].rate_min", solid,
			func(p *productsv1.Product) { p.Directions[0].RateMin = amount("0", "g/L") }},
		{"the lowest rate above the highest", "product.directions[0].rate_max", solid,
			func(p *productsv1.Product) { p.Directions[0].RateMax = amount("0.4", "g/L") }},
		{"a restricted-entry interval in minutes", "product.directions[0].restricted_entry_interval", solid,
			func(p *productsv1.Product) { p.Directions[0].RestrictedEntryInterval = amount("720", "min") }},
		{"a restricted-entry interval below zero", "product.directions[0].restricted_entry_interval", solid,
			func(p *productsv1.Product) { p.Directions[0].RestrictedEntryInterval = amount("-1", "h") }},
		{"FRAC 1 against an oomycete", "product.directions[0].disorder_classes[1]", solid,
			func(p *productsv1.Product) {
				p.Directions[0].DisorderClasses = []diagnosisv1.DisorderClass{fungus, oomycete}
			}},
		{"a fungicide against a bacterium", "product.directions[0].disorder_classes[0]", liquid,
			func(p *productsv1.Product) { p.Directions[0].DisorderClasses = []diagnosisv1.DisorderClass{bacterium} }},
		{"anything against a virus", "product.directions[0].disorder_classes[0]", liquid,
			func(p *productsv1.Product) { p.Directions[0].DisorderClasses = []diagnosisv1.DisorderClass{virus} }},
		{"two directions for one method and class", "product.directions[1].disorder_classes[0]", solid,
			func(p *productsv1.Product) { p.Directions = append(p.Directions, proto.CloneOf(p.GetDirections()[0])) }},
		{"a level of vapour that is not ppm", "product.inhalation_level", whole,
			func(p *productsv1.Product) { p.InhalationLevel = amount("1", "%") }},
		{"a level of vapour of zero", "product.inhalation_level", whole,
			func(p *productsv1.Product) { p.InhalationLevel = amount("0", "ppm") }},
		{"more vapour than air", "product.inhalation_level", whole,
			func(p *productsv1.Product) { p.InhalationLevel = amount("1000000.1", "ppm") }},
		{"a level of vapour that is not limited", "product.inhalation_level", whole,
			func(p *productsv1.Product) { p.InhalationLimited = productsv1.LabelAnswer_LABEL_ANSWER_NO }},
		{"a level of vapour without an answer", "product.inhalation_level", whole,
			func(p *productsv1.Product) { p.InhalationLimited = productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED }},
		{"an answer that there is not", "product.respirator", solid,
			func(p *productsv1.Product) { p.Respirator = 3 }},
		{"first aid that no file can keep", "product.first_aid", solid,
			func(p *productsv1.Product) { p.FirstAid = "wash\r\ncall" }},
		{"a data sheet that is a space", "product.safety_data_sheet", solid,
			func(p *productsv1.Product) { p.SafetyDataSheet = " " }},
		{"no active ingredient", "product.contents", solid,
			func(p *productsv1.Product) { p.Contents = nil }},
		{"no registration number", "product.registration_number", solid,
			func(p *productsv1.Product) { p.RegistrationNumber = "" }},
	} {
		t.Run(test.name, func(t *testing.T) {
			product := test.product()
			test.change(product)
			_, err := f.client.CreateProduct(f.manager, create("refused", product))
			rpctest.RefusedField(t, err, test.field)

			_, err = f.client.GetProduct(f.manager, &productsv1.GetProductRequest{Name: "nurseries/test/products/refused"})
			rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
		})
	}
}

func TestRefusalOfAUselessDirectionNamesTheActiveAndItsGroup(t *testing.T) {
	f := setUp(t)
	product := solid()
	product.Directions[0].DisorderClasses = []diagnosisv1.DisorderClass{oomycete}
	_, err := f.client.CreateProduct(f.manager, create("refused", product))
	message, values := rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
	require.Contains(t, message, "none of its active ingredients (thiophanate-methyl, FRAC 1) works on a disorder of the class oomycete")
	require.Equal(t, "OOMYCETE", values["class"])
}

func TestProductIsMadeOnce(t *testing.T) {
	f := setUp(t)
	request := create("solid", solid())
	first, err := f.client.CreateProduct(f.manager, request)
	require.NoError(t, err)
	again, err := f.client.CreateProduct(f.manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again))

	_, err = f.client.CreateProduct(f.manager, create("solid", liquid()))
	_, values := rpctest.Refused(t, err, codes.AlreadyExists, fault.AlreadyExists)
	require.Equal(t, "nurseries/test/products/solid", values["name"])
}

func TestUpdateChangesTheFieldsOfTheMaskAndChecksTheWhole(t *testing.T) {
	f := setUp(t)
	made, err := f.client.CreateProduct(f.manager, create("solid", solid()))
	require.NoError(t, err)
	update := func(product *productsv1.Product, paths ...string) (*productsv1.Product, error) {
		product.Name = made.GetName()
		return f.client.UpdateProduct(f.manager, &productsv1.UpdateProductRequest{
			Product: product, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}, RequestId: uuid.NewString(),
		})
	}

	changed, err := update(&productsv1.Product{DisplayName: "New name", Etag: made.GetEtag()}, "display_name")
	require.NoError(t, err)
	require.Equal(t, "New name", changed.GetDisplayName())
	require.NotEqual(t, made.GetEtag(), changed.GetEtag())
	require.Len(t, changed.GetDirections(), 1)

	_, err = update(&productsv1.Product{DisplayName: "Late name", Etag: made.GetEtag()}, "display_name")
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)

	// The level goes with the answer that it hangs on.
	level := &productsv1.Product{InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_YES, InhalationLevel: amount("5", "ppm")}
	_, err = update(proto.CloneOf(level), "inhalation_level")
	rpctest.RefusedField(t, err, "product.inhalation_level")
	changed, err = update(proto.CloneOf(level), "inhalation_limited", "inhalation_level")
	require.NoError(t, err)
	require.Equal(t, "5", changed.GetInhalationLevel().GetAmount())
	_, err = update(&productsv1.Product{}, "inhalation_limited")
	rpctest.RefusedField(t, err, "product.inhalation_level")

	// Another content makes the direction that stands useless.
	_, err = update(&productsv1.Product{Contents: []*productsv1.Content{
		{ActiveIngredient: "mefenoxam", Amount: amount("40", "g/kg")},
	}}, "contents")
	rpctest.RefusedField(t, err, "product.directions[0].disorder_classes[0]")

	// Another form leaves the old units wrong.
	_, err = update(&productsv1.Product{Form: productsv1.ProductForm_PRODUCT_FORM_LIQUID}, "form")
	rpctest.RefusedField(t, err, "product.contents[0].amount")

	changed, err = update(liquid(), "*")
	require.NoError(t, err)
	require.Len(t, changed.GetContents(), 2)
	require.True(t, changed.GetRestrictedUse())

	changed, err = update(&productsv1.Product{}, "directions")
	require.NoError(t, err)
	require.Empty(t, changed.GetDirections())

	_, err = f.client.UpdateProduct(f.manager, &productsv1.UpdateProductRequest{
		Product: &productsv1.Product{Name: "nurseries/test/products/absent", DisplayName: "x"}, RequestId: uuid.NewString(),
	})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

func TestProductsAreListedByNameInPages(t *testing.T) {
	f := setUp(t)
	for i := range 5 {
		_, err := f.client.CreateProduct(f.manager, create(fmt.Sprintf("p%d", i), solid()))
		require.NoError(t, err)
	}
	var names []string
	request := &productsv1.ListProductsRequest{Parent: "nurseries/test", PageSize: 2}
	for {
		page, err := f.client.ListProducts(f.manager, request)
		require.NoError(t, err)
		for _, product := range page.GetProducts() {
			require.Len(t, product.GetContents(), 1)
			names = append(names, product.GetName()[len("nurseries/test/products/"):])
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, []string{"p0", "p1", "p2", "p3", "p4"}, names)
}

func TestCatalogIsListedWithItsSources(t *testing.T) {
	f := setUp(t)
	response, err := f.client.ListActiveIngredients(rpctest.As(t.Context(), rpctest.Worker), &productsv1.ListActiveIngredientsRequest{})
	require.NoError(t, err)
	require.Len(t, response.GetActiveIngredients(), len(ActiveIngredients()))
	for _, active := range response.GetActiveIngredients() {
		require.NotEmpty(t, active.GetSource(), active.GetId())
	}
}

func TestWorkersDoNotChangeLabels(t *testing.T) {
	f := setUp(t)
	_, err := f.client.CreateProduct(rpctest.As(t.Context(), rpctest.Worker), create("solid", solid()))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	_, err = f.client.ListProducts(rpctest.As(t.Context(), rpctest.Stranger), &productsv1.ListProductsRequest{Parent: "nurseries/test"})
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestReadProductInATransaction(t *testing.T) {
	f := setUp(t)
	_, err := f.client.CreateProduct(f.manager, create("liquid", liquid()))
	require.NoError(t, err)
	require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error {
		product, err := ReadProduct(t.Context(), tx, "test", "liquid")
		require.NoError(t, err)
		require.Equal(t, "1100.125 g/L", product.Contents[1].Amount.String())

		direction, listing := product.DirectionFor(Use{Method: productsv1.Method_METHOD_SPRAY, Class: oomycete})
		require.Equal(t, Listed, listing)
		require.Equal(t, "1 mL/L", direction.RateMax.String())
		_, listing = product.DirectionFor(Use{Method: productsv1.Method_METHOD_DRENCH, Class: oomycete})
		require.Equal(t, MethodNotListed, listing)
		return nil
	}))
	_, err = ReadProduct(t.Context(), f.db, "test", "absent")
	require.True(t, fault.Is(err, fault.NotFoundReason))
}
