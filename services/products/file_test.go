package products

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"google.golang.org/genproto/googleapis/rpc/errdetails"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

const (
	csvFormat = productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_CSV
	jsonForm  = productsv1.ProductFileFormat_PRODUCT_FILE_FORMAT_JSON
)

func (f fixture) export(t *testing.T, format productsv1.ProductFileFormat) []byte {
	t.Helper()
	response, err := f.client.ExportProducts(f.manager, &productsv1.ExportProductsRequest{Parent: "nurseries/test", Format: format})
	require.NoError(t, err)
	return response.GetData()
}

func importRequest(format productsv1.ProductFileFormat, data string) *productsv1.ImportProductsRequest {
	return &productsv1.ImportProductsRequest{Parent: "nurseries/test", Format: format, Data: []byte(data), RequestId: uuid.NewString()}
}

// shelved is products with everything that a file can hold.
func shelved() map[string]*productsv1.Product {
	bare := solid()
	bare.Directions = nil
	formula := liquid()
	formula.DisplayName, formula.RegistrationNumber = "=HYPERLINK(\"http://x\")", "'-1"
	formula.Directions[0].ProtectiveEquipment = "@gloves, \"boots\"\nand a \\ shield"
	second := proto.CloneOf(whole())
	second.Directions = append(second.Directions, proto.CloneOf(second.GetDirections()[0]))
	second.Directions[1].Method, second.Directions[1].RateMin, second.Directions[1].RateMax = bath, amount("0.5", "%"), amount("1", "%")
	second.Directions[1].SaleIntervalDays = nil
	second.Directions[1].SilentOn = []productsv1.LabelFact{productsv1.LabelFact_LABEL_FACT_SALE_INTERVAL}
	return map[string]*productsv1.Product{"bare": bare, "formula": formula, "solid": solid(), "whole": whole(), "whole-2": second}
}

func TestExportAndImportAreTheSameBothWays(t *testing.T) {
	full := setUp(t)
	for id, product := range shelved() {
		_, err := full.client.CreateProduct(full.manager, create(id, product))
		require.NoError(t, err)
	}
	for name, format := range map[string]productsv1.ProductFileFormat{"csv": csvFormat, "json": jsonForm} {
		t.Run(name, func(t *testing.T) {
			file := full.export(t, format)
			again, err := full.client.ImportProducts(full.manager, importRequest(format, string(file)))
			require.NoError(t, err)
			require.EqualValues(t, len(shelved()), again.GetUnchanged())

			empty := setUp(t)
			dry := importRequest(format, string(file))
			dry.ValidateOnly = true
			would, err := empty.client.ImportProducts(empty.manager, dry)
			require.NoError(t, err)
			require.EqualValues(t, len(shelved()), would.GetCreated())
			_, err = empty.client.GetProduct(empty.manager, &productsv1.GetProductRequest{Name: "nurseries/test/products/whole"})
			rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)

			request := importRequest(format, string(file))
			done, err := empty.client.ImportProducts(empty.manager, request)
			require.NoError(t, err)
			require.EqualValues(t, len(shelved()), done.GetCreated())
			retried, err := empty.client.ImportProducts(empty.manager, request)
			require.NoError(t, err)
			require.True(t, proto.Equal(done, retried))

			require.Equal(t, string(file), string(empty.export(t, format)))
			for id, want := range shelved() {
				got, err := empty.client.GetProduct(empty.manager, &productsv1.GetProductRequest{Name: "nurseries/test/products/" + id})
				require.NoError(t, err)
				want.Name, want.Etag, want.CreateTime = got.GetName(), got.GetEtag(), got.GetCreateTime()
				require.True(t, proto.Equal(want, got), got)
			}
		})
	}
}

func TestImportChangesWhatDiffers(t *testing.T) {
	f := setUp(t)
	for _, id := range []string{"a", "b"} {
		_, err := f.client.CreateProduct(f.manager, create(id, solid()))
		require.NoError(t, err)
	}
	file := strings.Replace(string(f.export(t, csvFormat)), "Thiophanate 50 WP", "Renamed", 1)
	done, err := f.client.ImportProducts(f.manager, importRequest(csvFormat, file))
	require.NoError(t, err)
	require.True(t, proto.Equal(&productsv1.ImportProductsResponse{Updated: 1, Unchanged: 1}, done), done)
	read, err := ReadProduct(t.Context(), f.db, "test", "a")
	require.NoError(t, err)
	require.Equal(t, "Renamed", read.DisplayName)
}

// A file may leave columns out, but not take away what stands in them unseen.
func TestAColumnThatIsLeftOutTakesNothingAway(t *testing.T) {
	f := setUp(t)
	product := whole()
	product.RestrictedUse = true
	_, err := f.client.CreateProduct(f.manager, create("whole", product))
	require.NoError(t, err)
	before := f.export(t, csvFormat)
	const row = "whole,Renamed,L3,liquid,azoxystrobin: 250 g/L"
	_, err = f.client.ImportProducts(f.manager, importRequest(csvFormat, "product,display_name,registration_number,form,contents\n"+row+"\n"))
	rules := rejected(t, err)
	for column, value := range map[string]string{
		"restricted_use": "true", "method": "spray", "rate_max": "12 fl oz/100 gal", "max_consecutive_applications": "1", "disorders": "black-rot; grey-mould",
	} {
		require.Contains(t, rules["rows[1]."+column], "whole has "+strconv.Quote(value)+" there", column)
	}
	require.Equal(t, string(before), string(f.export(t, csvFormat)))

	// With the column it is meant.
	emptied := strings.Replace(string(before), ",true,", ",FALSE,", 1)
	done, err := f.client.ImportProducts(f.manager, importRequest(csvFormat, emptied))
	require.NoError(t, err)
	require.EqualValues(t, 1, done.GetUpdated())
}

func TestSpreadsheetsWriteTRUEInCapitals(t *testing.T) {
	f := setUp(t)
	file := "product,display_name,registration_number,form,contents,restricted_use\na,A,L1,solid,captan: 500 g/kg,TRUE\n"
	_, err := f.client.ImportProducts(f.manager, importRequest(csvFormat, file))
	require.NoError(t, err)
	read, err := ReadProduct(t.Context(), f.db, "test", "a")
	require.NoError(t, err)
	require.True(t, read.RestrictedUse)
}

// A file of the largest size with nothing but directions of one product, all of
// which overlap, is judged like any other.
func TestAHugeFileIsRefusedAndNotWorkedThroughInPairs(t *testing.T) {
	f := setUp(t)
	const row = "a,A,L1,solid,captan: 500 g/kg,spray,fungus,1 g/L,1 g/L\n"
	file := shortHeader + strings.Repeat(row, (3<<20-len(shortHeader))/len(row))
	_, err := f.client.ImportProducts(f.manager, importRequest(csvFormat, file))
	require.Contains(t, rejected(t, err)["rows[2].directions"], "no more than 40")

	classes := strings.Repeat("fungus;", 1<<18)
	direction := "a,A,L1,solid,captan: 500 g/kg,spray," + classes + "fungus,1 g/L,1 g/L\n"
	_, err = f.client.ImportProducts(f.manager, importRequest(csvFormat, shortHeader+strings.Repeat(row, 39)+direction))
	require.Contains(t, rejected(t, err)["rows[41].disorder_classes"], "unique")
}

// A reader of JSON takes the last of two equal names: half of the file would be
// imported and nobody told.
func TestANameThatStandsTwiceInAJSONIsRefused(t *testing.T) {
	for file, twice := range map[string]string{
		`{"products":[{"id":"a","product":{}}],"products":[{"id":"b","product":{}}]}`: "products",
		`{"products":[{"id":"a","ID":"b","product":{}}]}`:                             "ID",
		`{"products":[{"id":"a","product":{"form":1,"form":2}}]}`:                     "form",
		`{"products":[{"id":"id","product":{"crops":["a","a"]}},{"id":"b"}]}`:         "",
	} {
		require.Equal(t, twice, repeatedName([]byte(file)), file)
	}
	problems := &rejection{}
	require.Empty(t, readJSON([]byte(`{"products":[],"Products":[]}`), problems))
	require.ErrorContains(t, problems.fault(), "twice in one object")
}

// rejected returns the rules that a refused import names, by field.
func rejected(t *testing.T, err error) map[string]string {
	t.Helper()
	rpctest.Refused(t, err, codes.InvalidArgument, fault.ImportRejected)
	rules := map[string]string{}
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, violation := range bad.GetFieldViolations() {
				rules[violation.GetField()] = violation.GetDescription()
			}
		}
	}
	return rules
}

const shortHeader = "product,display_name,registration_number,form,contents,method,disorder_classes,rate_min,rate_max\n"

func TestEveryBrokenRowAndColumnOfACSVIsNamed(t *testing.T) {
	f := setUp(t)
	_, err := f.client.ImportProducts(f.manager, importRequest(csvFormat, shortHeader+
		"good,Good,L1,solid,captan: 500 g/kg,spray,fungus,1 g/L,2 g/L\n"+
		"Bad Id,Name,L1,solid,captan: 500 g/kg,spray,fungus,1 g/L,2 g/L\n"+
		"b,,L1,solid,captan: 500 g/kg,spray,fungus,1 g/L,0.5 g/L\n"+
		"c,Name,L1,liquid,benlate: 500 g/L,spray,fungus,1 g/L,2\n"+
		"d,Name,L1,plasma,captan,spray,fungus,1 g/L,2 g/L\n"+
		"e,Name,L1,solid,captan: 500 g/kg,spray\n"+
		"good,Other,L1,solid,captan: 500 g/kg,drench,fungus,1 g/L,2 g/L\n"+
		"good,Good,L1,solid,captan: 500 g/kg,,,,\n"+
		"good,Good,L1,solid,captan: 500 g/kg,fog,fungus; mites,1 g/L,2 g/L\n"+
		"good,Good,L1,solid,captan: 500 g/kg,,fungus,,2 g/L\n"))
	rules := rejected(t, err)
	for field, says := range map[string]string{
		"rows[3].product": "lower-case", "rows[4].display_name": "must not be empty", "rows[4].rate_max": "must not be below rate_min",
		"rows[5].contents": "not in the catalog", "rows[5].rate_min": "density", "rows[5].rate_max": "not an amount and a unit",
		"rows[6].form": "PLASMA", "rows[6].contents": "for example captan: 500 g/kg",
		"rows[7]": "has 6 cells where the header has 9 columns", "rows[8].display_name": "differs from row 2",
		"rows[9].method": "further direction", "rows[10].method": "FOG", "rows[10].disorder_classes": "MITES",
		"rows[11].method": "must not be empty", "rows[11].rate_min": "must not be empty",
	} {
		require.Contains(t, rules, field)
		require.Contains(t, rules[field], says, field)
	}
	_, err = f.client.GetProduct(f.manager, &productsv1.GetProductRequest{Name: "nurseries/test/products/good"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

func TestHeaderOfACSVIsJudged(t *testing.T) {
	f := setUp(t)
	_, err := f.client.ImportProducts(f.manager, importRequest(csvFormat, "product,colour,form,form\na,b,c,d\n"))
	rules := rejected(t, err)
	require.Contains(t, rules["rows[1].colour"], "is not a column")
	require.Contains(t, rules["rows[1].form"], "more than once")
	require.Contains(t, rules["rows[1].contents"], "missing")

	_, err = f.client.ImportProducts(f.manager, importRequest(csvFormat, "\xff\xfe"))
	rpctest.RefusedField(t, err, "data")
}

func TestEveryBrokenFieldOfAJSONIsNamed(t *testing.T) {
	f := setUp(t)
	good := `"display_name":"A","registration_number":"L1","form":"PRODUCT_FORM_SOLID","contents":[{"active_ingredient":"captan","amount":{"amount":"500","unit":"g/kg"}}]`
	_, err := f.client.ImportProducts(f.manager, importRequest(jsonForm, `{"products":[
		{"id":"a","product":{`+good+`}},
		{"id":"a","product":{`+good+`}},
		{"id":"A b","product":{`+good+`}},
		{"id":"b"},
		{"id":"c","product":{`+good+`,"colour":"red"}},
		{"id":"d","product":{`+good+`,"etag":"x"}},
		{"id":"e","product":{`+strings.Replace(good, "captan", "benlate", 1)+`,"jurisdiction":"za"}},
		{"id":"f","product":{`+good+`,"directions":[{"method":"METHOD_SPRAY"}]}}]}`))
	rules := rejected(t, err)
	for field, says := range map[string]string{
		"products[1].id": "stands in products[0] already", "products[2].id": "lower-case", "products[3].product": "must be given",
		"products[4].product": "colour", "products[5].product": "written by velamen",
		"products[6].product.contents[0].active_ingredient": "not in the catalog", "products[6].product.jurisdiction": "",
		"products[7].product.directions[0].rate_min": "", "products[7].product.directions[0].disorder_classes": "",
	} {
		require.Contains(t, rules, field)
		require.Contains(t, rules[field], says, field)
	}
	for _, file := range []string{"{", `{"products":[]} {}`, `{}`, `[]`, `{"products":[{"id":"a","colour":1}]}`} {
		_, err := f.client.ImportProducts(f.manager, importRequest(jsonForm, file))
		require.NotEmpty(t, rejected(t, err), file)
	}
}

func TestNoCellIsAFormula(t *testing.T) {
	for _, text := range []string{"=1+1", "+1", "-1", "@SUM(A1)", "'=1", "''-1", "plain", "'quoted'", ""} {
		cell := guarded(text)
		require.False(t, looksFormula(cell), cell)
		require.Equal(t, text, unguarded(cell))
	}
	written, err := writeCSV([]Product{{ID: "a", DisplayName: "=cmd|' /C calc'!A0", Form: solidForm}})
	require.NoError(t, err)
	require.Contains(t, string(written), "'=cmd")
}

// The schema describes the contract: every property is one of its fields, and
// every field that people enter is a property.
func TestSchemaIsThatOfTheContract(t *testing.T) {
	file, err := os.ReadFile("../../docs/products.schema.json")
	require.NoError(t, err)
	var schema struct {
		Schema string `json:"$schema"`
		Defs   map[string]struct {
			Properties           map[string]any `json:"properties"`
			AdditionalProperties *bool          `json:"additionalProperties"`
			Enum                 []string       `json:"enum"`
		} `json:"$defs"`
	}
	require.NoError(t, json.Unmarshal(file, &schema))
	require.Equal(t, "https://json-schema.org/draft/2020-12/schema", schema.Schema)

	written := map[string]bool{"Product.name": true, "Product.etag": true, "Product.create_time": true}
	seen := map[string]bool{}
	var visit func(protoreflect.MessageDescriptor)
	visit = func(message protoreflect.MessageDescriptor) {
		name := string(message.Name())
		if seen[name] {
			return
		}
		seen[name] = true
		def, found := schema.Defs[name]
		require.True(t, found, name)
		require.NotNil(t, def.AdditionalProperties, name)
		require.False(t, *def.AdditionalProperties, name)
		expected := map[string]bool{}
		for i := range message.Fields().Len() {
			field := message.Fields().Get(i)
			if written[name+"."+string(field.Name())] {
				continue
			}
			expected[string(field.Name())] = true
			require.Contains(t, def.Properties, string(field.Name()), name)
			if field.Message() != nil {
				visit(field.Message())
			}
			if field.Enum() != nil {
				values := schema.Defs[string(field.Enum().Name())].Enum
				for j := range field.Enum().Values().Len() {
					if value := field.Enum().Values().Get(j); value.Number() != 0 {
						require.Contains(t, values, string(value.Name()))
					}
				}
				require.Len(t, values, field.Enum().Values().Len()-1, field.Enum().Name())
			}
		}
		for property := range def.Properties {
			require.True(t, expected[property], "%s.%s is not a field of the contract", name, property)
		}
	}
	visit((&productsv1.Product{}).ProtoReflect().Descriptor())
}

// docs/products-csv.md names every column.
func TestColumnsAreDocumented(t *testing.T) {
	file, err := os.ReadFile("../../docs/products-csv.md")
	require.NoError(t, err)
	for _, name := range csvHeader() {
		require.Contains(t, string(file), "| `"+name+"`", name)
	}
}

// fuzzed are products as a file of a shelf holds them.
func fuzzed(f *testing.F) []Product {
	f.Helper()
	var products []Product
	for _, id := range []string{"bare", "formula", "solid", "whole", "whole-2"} {
		product, faults := readProduct(productField, id, shelved()[id], names{})
		require.Empty(f, faults)
		products = append(products, product)
	}
	return products
}

func FuzzImportCSV(f *testing.F) {
	seed, err := writeCSV(fuzzed(f))
	require.NoError(f, err)
	f.Add(seed)
	f.Add([]byte(shortHeader + "a,A,L1,solid,captan: 500 g/kg,spray,fungus,1 g/L,2 g/L\n"))
	f.Add([]byte("product\n\"a"))
	f.Fuzz(func(t *testing.T, data []byte) { imported(t, csvFormat, data, writeCSV) })
}

func FuzzImportJSON(f *testing.F) {
	seed, err := writeJSON(fuzzed(f))
	require.NoError(f, err)
	f.Add(seed)
	f.Add([]byte(`{"products":[{"id":"a","product":null}]}`))
	f.Fuzz(func(t *testing.T, data []byte) { imported(t, jsonForm, data, writeJSON) })
}

// imported holds that what is read without a problem is written and read again
// the same.
func imported(t *testing.T, format productsv1.ProductFileFormat, data []byte, write func([]Product) ([]byte, error)) {
	problems := &rejection{}
	products := judgeFile(readFile(format, data, problems), names{}, problems)
	if problems.count > 0 {
		return
	}
	file, err := write(products)
	require.NoError(t, err)
	again := judgeFile(readFile(format, file, problems), names{}, problems)
	require.NoError(t, problems.fault())
	second, err := write(again)
	require.NoError(t, err)
	require.Equal(t, string(file), string(second))
	if format == csvFormat {
		_, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
		require.NoError(t, err)
	}
}
