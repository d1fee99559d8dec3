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

// writeJSON writes the document as one encoder would. The uses and the gaps, of which
// there may be many, are encoded one by one: an encoder holds two copies of all that it
// is given.
func writeJSON(document Document) ([]byte, error) {
	frame := document
	frame.Uses.Rows, frame.Gaps = []Row{}, []Gap{}
	var buffer bytes.Buffer
	if err := encode(&buffer, frame, ""); err != nil {
		return nil, err
	}
	// A quotation mark within a text has a backslash before it, so these are keys, and
	// the uses come before the totals.
	beforeUses, rest, _ := bytes.Cut(buffer.Bytes(), []byte(`"rows": []`))
	between, after, _ := bytes.Cut(rest, []byte(`"gaps": []`))
	var whole bytes.Buffer
	whole.Write(beforeUses)
	if err := encodeList(&whole, "rows", document.Uses.Rows, "    "); err != nil {
		return nil, err
	}
	whole.Write(between)
	if err := encodeList(&whole, "gaps", document.Gaps, "  "); err != nil {
		return nil, err
	}
	whole.Write(after)
	return whole.Bytes(), nil
}

// encodeList writes a key and its list, below an indent.
func encodeList[T any](whole *bytes.Buffer, key string, items []T, indent string) error {
	whole.WriteString(`"` + key + `": [`)
	for i, item := range items {
		if i > 0 {
			whole.WriteByte(',')
		}
		whole.WriteString("\n" + indent + "  ")
		if err := encode(whole, item, indent+"  "); err != nil {
			return err
		}
		// The encoder ends each value with a line feed.
		whole.Truncate(whole.Len() - 1)
	}
	if len(items) > 0 {
		whole.WriteString("\n" + indent)
	}
	whole.WriteByte(']')
	return nil
}

func encode(whole *bytes.Buffer, of any, indent string) error {
	encoder := json.NewEncoder(whole)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent(indent, "  ")
	return encoder.Encode(of)
}
