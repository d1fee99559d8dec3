package history

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
)

var madeAt = time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC)

func records() []Record {
	return []Record{
		{
			At: time.Date(2026, 3, 2, 23, 30, 0, 0, time.UTC), Kind: "plants", Source: "stock.lot_event", What: "sold in lot lot-1", Who: "nurseries/test/people/wandile",
			WhoName: "Wandile Worker", Resource: "nurseries/test/lots/lot-1",
			Facts: []Fact{{Name: "plants", Text: "-5"}, {Name: "note", Text: `to the market; "two" crates`}},
		},
		{
			At: time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC), Kind: "diagnosis", Source: "diagnosis.diagnosis", What: "anthracnose confirmed",
			Facts: []Fact{{Name: "assessment", JSON: json.RawMessage(`{"a": 1.50}`)}},
		},
		{Kind: "lot", Source: "stock.lot", What: "Phalaenopsis", Resource: "nurseries/test/lots/lot-1"},
	}
}

func document(records []Record) Document {
	return Build(Document{
		Kind: "lot", Subject: "nurseries/test/lots/lot-1", SubjectName: "Phalaenopsis", Nursery: "nurseries/test", NurseryName: "Test nursery",
		FromDate: "2026-03-01", LeftOut: []string{"The bytes of photos."}, Records: records,
	}, time.FixedZone("SAST", 2*60*60), madeAt)
}

func TestAHistoryBeginsWithWhatHasNoTimeAndGoesOnInTheOrderOfTime(t *testing.T) {
	var order []string
	for _, record := range document(records()).Records {
		order = append(order, record.Kind)
	}
	require.Equal(t, []string{"lot", "diagnosis", "plants"}, order)
}

func TestTheOrderInWhichRecordsAreReadChangesNothing(t *testing.T) {
	same := records()
	// Two that differ in their facts alone.
	same = append(same, same[0])
	same[3].Facts = []Fact{{Name: "plants", Text: "-6"}}
	first, err := WriteJSON(document(same))
	require.NoError(t, err)
	slices.Reverse(same)
	second, err := WriteJSON(document(same))
	require.NoError(t, err)
	require.Equal(t, string(first), string(second))
}

func TestTheJSONOfAHistoryIsWhatItsSchemaSays(t *testing.T) {
	parsed, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	compiler := jsonschema.NewCompiler()
	require.NoError(t, compiler.AddResource("history.schema.json", parsed))
	schema, err := compiler.Compile("history.schema.json")
	require.NoError(t, err)
	for name, of := range map[string][]Record{"some records": records(), "none": nil} {
		data, err := WriteJSON(document(of))
		require.NoError(t, err)
		instance, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
		require.NoError(t, err)
		require.NoError(t, schema.Validate(instance), name)
	}
	broken, err := jsonschema.UnmarshalJSON(strings.NewReader(`{"schema": "velamen-history/1"}`))
	require.NoError(t, err)
	require.Error(t, schema.Validate(broken))
}

func TestACSVHistoryIsOneTimeLineInUTCAndLocalTime(t *testing.T) {
	data, err := WriteCSV(document(records()))
	require.NoError(t, err)
	require.Equal(t, strings.ReplaceAll(`time,local_time,kind,what,who,resource,text
,,lot,Phalaenopsis,,nurseries/test/lots/lot-1,
2026-03-01T06:00:00Z,2026-03-01T08:00:00+02:00,diagnosis,anthracnose confirmed,,,"assessment={""a"": 1.50}"
2026-03-02T23:30:00Z,2026-03-03T01:30:00+02:00,plants,sold in lot lot-1,nurseries/test/people/wandile,nurseries/test/lots/lot-1,"plants=-5; note=to the market\; ""two"" crates"
`, "\n", "\r\n"), string(data))
}
