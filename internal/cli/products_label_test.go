package cli_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// labelAnswers serves labels of fixed answers and keeps the requests.
type labelAnswers struct {
	productsv1.UnimplementedProductsServiceServer
	findings []*productsv1.ProductFinding
	asked    proto.Message
}

func quantityOf(amount, unit string) *typev1.Quantity {
	return &typev1.Quantity{Amount: amount, Unit: unit}
}

func (a *labelAnswers) GetProduct(_ context.Context, r *productsv1.GetProductRequest) (*productsv1.Product, error) {
	a.asked = r
	days := int32(0)
	return &productsv1.Product{
		Name: r.GetName(), DisplayName: "Example 500 SC", RegistrationNumber: "L1", Form: productsv1.ProductForm_PRODUCT_FORM_LIQUID,
		Formulation: productsv1.Formulation_FORMULATION_SC, Jurisdiction: "ZA", RegistrationExpireDate: &typev1.Date{Value: "2028-02-29"},
		ToxicityCategory: productsv1.ToxicityCategory_TOXICITY_CATEGORY_III,
		Cost:             &typev1.Money{CurrencyCode: "ZAR", Amount: "850"}, CostPer: quantityOf("1", "L"), Etag: `"v1"`,
		Respirator: productsv1.LabelAnswer_LABEL_ANSWER_NO, InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_YES,
		InhalationLevel: quantityOf("0.5", "ppm"), FirstAid: "If on skin: wash with water.",
		Contents: []*productsv1.Content{{ActiveIngredient: "thiophanate-methyl", Amount: quantityOf("500", "g/L")}},
		Directions: []*productsv1.LabelDirection{{
			Method: productsv1.Method_METHOD_SPRAY, DisorderClasses: []diagnosisv1.DisorderClass{diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS},
			RateMin: quantityOf("1", "mL/L"), RateMax: quantityOf("1.5", "mL/L"), WaterVolumeMax: quantityOf("1000", "L/ha"),
			Crops: []string{"ornamentals"}, Sites: []productsv1.Site{productsv1.Site_SITE_GREENHOUSE}, SaleIntervalDays: &days,
			MinIntervalDays: 14, MaxApplicationsPerYear: 4, TemperatureMin: quantityOf("5", "Cel"), TemperatureMax: quantityOf("30", "Cel"),
			ActiveLimits: []*productsv1.ActiveLimit{{ActiveIngredient: "thiophanate-methyl", MostPerYear: quantityOf("2", "kg/ha")}},
			OpenBloom:    productsv1.Permission_PERMISSION_FORBIDDEN, ProtectiveEquipment: "gloves",
			SilentOn: []productsv1.LabelFact{productsv1.LabelFact_LABEL_FACT_CHEMIGATION},
		}},
	}, nil
}

func (a *labelAnswers) UpdateProduct(_ context.Context, r *productsv1.UpdateProductRequest) (*productsv1.Product, error) {
	a.asked = r
	return r.GetProduct(), nil
}

func (a *labelAnswers) CheckProducts(_ context.Context, r *productsv1.CheckProductsRequest) (*productsv1.CheckProductsResponse, error) {
	a.asked = r
	return &productsv1.CheckProductsResponse{Products: 3, Findings: a.findings}, nil
}

func (a *labelAnswers) ExportProducts(_ context.Context, r *productsv1.ExportProductsRequest) (*productsv1.ExportProductsResponse, error) {
	a.asked = r
	return &productsv1.ExportProductsResponse{MediaType: "text/csv", Data: []byte("product,form\r\n")}, nil
}

func (a *labelAnswers) ImportProducts(_ context.Context, r *productsv1.ImportProductsRequest) (*productsv1.ImportProductsResponse, error) {
	a.asked = r
	if string(r.GetData()) == "broken" {
		return nil, fault.Rejected([]fault.Violation{
			{Field: "rows[12].rate_max", Rule: "must not be below rate_min, 1 g/L"}, {Field: "rows[13].product", Rule: "differs"},
		}, "the file breaks 2 rules; nothing was imported").With("rules_broken", "2")
	}
	return &productsv1.ImportProductsResponse{Created: 2, Updated: 1, Unchanged: 3}, nil
}

func (a *labelAnswers) CreateAlias(_ context.Context, r *productsv1.CreateAliasRequest) (*productsv1.Alias, error) {
	a.asked = r
	return r.GetAlias(), nil
}

func (a *labelAnswers) ListAliases(_ context.Context, r *productsv1.ListAliasesRequest) (*productsv1.ListAliasesResponse, error) {
	a.asked = r
	return &productsv1.ListAliasesResponse{Aliases: []*productsv1.Alias{
		{DisplayName: "metalaxyl-M", ActiveIngredient: "mefenoxam", Source: "from memory", Shipped: true},
	}}, nil
}

func (a *labelAnswers) ListApprovals(_ context.Context, r *productsv1.ListApprovalsRequest) (*productsv1.ListApprovalsResponse, error) {
	a.asked = r
	return &productsv1.ListApprovalsResponse{Approvals: []*productsv1.Approval{
		{ActiveIngredient: "iprodione", Jurisdiction: "EU", Act: "Implementing Regulation (EU) 2017/2091", LastUseDate: &typev1.Date{Value: "2018-06-05"}, Source: "s"},
	}}, nil
}

func TestCommandsOfLabels(t *testing.T) {
	c, answers := newClient(t), &labelAnswers{}
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		productsv1.RegisterProductsServiceServer(server, answers)
	})
	const id, parent = "6f1b4c1e-8f0a-4a3e-9d2b-0c5d7e8f9a10", "nurseries/test"
	file := func(name, content string) string {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, []byte(content), 0o600))
		return path
	}
	csvFile, jsonFile := productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_CSV, productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_JSON
	for _, test := range []struct {
		name   string
		args   []string
		asked  proto.Message
		golden string
	}{
		{"get", []string{"get", "example"}, &productsv1.GetProductRequest{Name: parent + "/products/example"}, "products-get.txt"},
		{"check", []string{"check"}, &productsv1.CheckProductsRequest{Parent: parent}, "products-check-good.txt"},
		{"export", []string{"export"}, &productsv1.ExportProductsRequest{Parent: parent, Format: csvFile}, "products-export.txt"},
		{"export as JSON", []string{"export", "--format", "json"}, &productsv1.ExportProductsRequest{Parent: parent, Format: jsonFile}, "products-export.txt"},
		{"import", []string{"import", file("a.csv", "x"), "--request-id", id},
			&productsv1.ImportProductsRequest{Parent: parent, Format: csvFile, Data: []byte("x"), RequestId: id}, "products-import.txt"},
		{"import only in thought", []string{"import", file("a.JSON", "x"), "--dry-run", "--request-id", id},
			&productsv1.ImportProductsRequest{Parent: parent, Format: jsonFile, Data: []byte("x"), ValidateOnly: true, RequestId: id}, "products-import-dry.txt"},
		{"add an alias", []string{"alias", "add", "captane", "--active", "captan", "--source", "a label", "--request-id", id},
			&productsv1.CreateAliasRequest{Parent: parent, RequestId: id,
				Alias: &productsv1.Alias{DisplayName: "captane", ActiveIngredient: "captan", Source: "a label"}}, "products-alias.txt"},
		{"list aliases", []string{"alias", "list"}, &productsv1.ListAliasesRequest{Parent: parent}, "products-aliases.txt"},
		{"list approvals", []string{"approvals", "--jurisdiction", "EU"},
			&productsv1.ListApprovalsRequest{Parent: parent, Jurisdiction: "EU"}, "products-approvals.txt"},
	} {
		t.Run(test.name, func(t *testing.T) {
			out, errors, code := c.run(append([]string{"products"}, test.args...)...)
			require.Zero(t, code, errors)
			require.True(t, proto.Equal(test.asked, answers.asked), answers.asked)
			golden(t, test.golden, out)
		})
	}

	_, errors, code := c.run("products", "export", "--json")
	require.Zero(t, code, errors)
	require.True(t, proto.Equal(&productsv1.ExportProductsRequest{Parent: parent, Format: jsonFile}, answers.asked), answers.asked)

	// The label of one product never replaces that of another.
	saved, _, code := c.run("products", "get", "example", "--json")
	require.Zero(t, code)
	answers.asked = nil
	_, errors, code = c.run("products", "update", "other", "-f", file("example.json", saved))
	require.Equal(t, 2, code)
	require.Contains(t, errors, "it is the label of example, not of other")
	require.Nil(t, answers.asked)
	_, errors, code = c.run("products", "update", "example", "-f", file("example.json", saved))
	require.Zero(t, code, errors)
	require.Equal(t, parent+"/products/example", answers.asked.(*productsv1.UpdateProductRequest).GetProduct().GetName())

	// Answers are changed one by one, and not beside a file.
	_, errors, code = c.run("products", "update", "example", "--respirator", "no", "--inhalation-limited", "yes",
		"--inhalation-level", "1ppm", "--first-aid", "Call a physician.", "--request-id", id)
	require.Zero(t, code, errors)
	require.True(t, proto.Equal(&productsv1.UpdateProductRequest{
		Product: &productsv1.Product{
			Name: parent + "/products/example", Respirator: productsv1.LabelAnswer_LABEL_ANSWER_NO,
			InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_YES, InhalationLevel: &typev1.Quantity{Amount: "1", Unit: "ppm"},
			FirstAid: "Call a physician.",
		},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"first_aid", "inhalation_level", "inhalation_limited", "respirator"}}, RequestId: id,
	}, answers.asked), answers.asked)
	answers.asked = nil
	_, errors, code = c.run("products", "update", "example", "-f", file("example.json", saved), "--respirator", "no")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "--file replaces the whole product: give it alone")
	_, errors, code = c.run("products", "update", "example")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "--time-limited, or --file with the whole product")
	_, errors, code = c.run("products", "update", "example", "--respirator", "maybe")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "yes, no")
	require.Nil(t, answers.asked)

	_, errors, code = c.run("products", "import", file("b.csv", "broken"))
	require.Equal(t, 3, code)
	golden(t, "products-import-refused.txt", errors)

	answers.findings = []*productsv1.ProductFinding{{
		Product: parent + "/products/example", Field: "directions[0].crops", Rule: "label-fact-missing",
		Message: "crops: not entered", Refuses: true, Source: "the label",
	}}
	out, errors, code := c.run("products", "check")
	require.Equal(t, 3, code)
	require.Contains(t, errors, "findings that keep a product from being used: 1")
	golden(t, "products-check.txt", out)
}
