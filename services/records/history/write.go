package history

import (
	"bytes"
	_ "embed"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

//go:embed history.schema.json
var schemaFile []byte

// Schema returns the JSON Schema of the JSON that WriteJSON makes.
func Schema() []byte { return slices.Clone(schemaFile) }

// WriteJSON writes a document as JSON. The same document gives the same bytes.
func WriteJSON(document Document) ([]byte, error) {
	var buffer bytes.Buffer
	encoder := json.NewEncoder(&buffer)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", "  ")
	if err := encoder.Encode(document); err != nil {
		return nil, fmt.Errorf("write the history of %s as JSON: %w", document.Subject, err)
	}
	return buffer.Bytes(), nil
}

// csvHeader names the columns of the time line.
var csvHeader = []string{"time", "local_time", "kind", "what", "who", "resource", "text"}

// WriteCSV writes the records of a document as one time line, as CSV (RFC 4180). The text
// holds all facts: name, equals sign and value, separated by semicolons.
func WriteCSV(document Document) ([]byte, error) {
	var buffer bytes.Buffer
	writer := csv.NewWriter(&buffer)
	writer.UseCRLF = true
	rows := [][]string{csvHeader}
	for _, record := range document.Records {
		rows = append(rows, []string{record.Time, record.LocalTime, record.Kind, record.What, record.Who, record.Resource, text(record.Facts)})
	}
	if err := writer.WriteAll(rows); err != nil {
		return nil, fmt.Errorf("write the history of %s as CSV: %w", document.Subject, err)
	}
	return buffer.Bytes(), nil
}

// inText is how a value stands among others that semicolons separate.
var inText = strings.NewReplacer(`\`, `\\`, `;`, `\;`)

// text returns facts on one line.
func text(facts []Fact) string {
	parts := make([]string, len(facts))
	for i, fact := range facts {
		value := fact.Text
		if fact.JSON != nil {
			value = string(fact.JSON)
		}
		parts[i] = fact.Name + "=" + inText.Replace(value)
	}
	return strings.Join(parts, "; ")
}
