package report

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"slices"
)

//go:embed report.schema.json
var schemaFile []byte

// Schema returns the JSON Schema of the JSON that Write makes.
func Schema() []byte { return slices.Clone(schemaFile) }

func writeJSON(document Document) ([]byte, error) {
	var buffer bytes.Buffer
	encoder := json.NewEncoder(&buffer)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", "  ")
	err := encoder.Encode(document)
	return buffer.Bytes(), err
}
