package products

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"

	productsv1 "velamen/gen/velamen/products/v1"
)

// jsonFile is a file of products; docs/products.schema.json describes it.
type jsonFile struct {
	Products []jsonProduct `json:"products"`
}

// jsonProduct is a product with its id. The product is a message of the contract
// without what velamen writes itself.
type jsonProduct struct {
	ID      string          `json:"id"`
	Product json.RawMessage `json:"product"`
}

// writeJSON returns products as a JSON file, by id.
func writeJSON(products []Product) ([]byte, error) {
	file := jsonFile{Products: []jsonProduct{}}
	for _, product := range products {
		raw, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(product.exported())
		if err != nil {
			return nil, fmt.Errorf("write product %s: %w", product.ID, err)
		}
		file.Products = append(file.Products, jsonProduct{ID: product.ID, Product: raw})
	}
	var written bytes.Buffer
	// The encoder sets the spaces anew, which protojson varies on purpose.
	encoder := json.NewEncoder(&written)
	encoder.SetIndent("", "  ")
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(file); err != nil {
		return nil, fmt.Errorf("write products: %w", err)
	}
	return written.Bytes(), nil
}

// readJSON reads a JSON file and keeps what cannot be read as problems.
func readJSON(data []byte, problems *rejection) []fileProduct {
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.DisallowUnknownFields()
	var file jsonFile
	if err := decoder.Decode(&file); err != nil {
		problems.add("data", "is not JSON of the form {\"products\": [{\"id\": ..., \"product\": {...}}]}: %s", err)
		return nil
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		problems.add("data", "has something after its closing brace")
		return nil
	}
	if name := repeatedName(data); name != "" {
		problems.add("data", "has %q twice in one object: which of the two is meant?", name)
		return nil
	}
	if file.Products == nil {
		problems.add("products", "must be given, as a list")
		return nil
	}
	var read []fileProduct
	places := map[string]int{}
	for i, entry := range file.Products {
		at := fmt.Sprintf("products[%d]", i)
		if !idForm.MatchString(entry.ID) {
			problems.add(at+".id", "%q: %s", entry.ID, idRule)
		} else if earlier, twice := places[entry.ID]; twice {
			problems.add(at+".id", "%s stands in products[%d] already", entry.ID, earlier)
		}
		places[entry.ID] = i
		message, err := entry.message()
		if err != nil {
			problems.add(at+".product", "%s", err)
			continue
		}
		read = append(read, fileProduct{
			id: entry.ID, message: message, at: func(path string) string { return at + ".product." + path },
		})
	}
	return read
}

// repeatedName returns a name that stands twice in one object, "" when none does:
// a reader takes the last and drops what was before. Capitals are evened out, as
// the reader does. The data is whole JSON.
func repeatedName(data []byte) string {
	type level struct {
		names map[string]bool // nil in a list
		value bool            // what comes next is the value of a name
	}
	var open []level
	decoder := json.NewDecoder(bytes.NewReader(data))
	for {
		token, err := decoder.Token()
		if err != nil {
			return ""
		}
		delim, _ := token.(json.Delim)
		if delim == '}' || delim == ']' {
			open = open[:len(open)-1]
			continue
		}
		if top := len(open) - 1; top >= 0 && open[top].names != nil {
			if name, isText := token.(string); isText && !open[top].value {
				key := strings.ToLower(name)
				if open[top].names[key] {
					return name
				}
				open[top].names[key], open[top].value = true, true
				continue
			}
			open[top].value = false
		}
		switch delim {
		case '{':
			open = append(open, level{names: map[string]bool{}})
		case '[':
			open = append(open, level{})
		}
	}
}

func (entry jsonProduct) message() (*productsv1.Product, error) {
	if len(entry.Product) == 0 {
		return nil, errors.New("must be given")
	}
	message := &productsv1.Product{}
	if err := protojson.Unmarshal(entry.Product, message); err != nil {
		return nil, errors.New(plainSpaces(err.Error()))
	}
	if message.GetName() != "" || message.GetEtag() != "" || message.GetCreateTime() != nil {
		return nil, errors.New("name, etag and create_time are written by velamen and do not belong in a file")
	}
	return message, nil
}

// plainSpaces makes a sentence of protobuf stable: it begins with its package and
// has spaces of two kinds at random.
func plainSpaces(text string) string {
	return strings.TrimPrefix(strings.ReplaceAll(text, "\u00a0", " "), "proto: ")
}
