package treatment

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"sync"

	"buf.build/go/protovalidate"
	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

//go:embed templates/*.yaml
var shippedFiles embed.FS

// shipped returns the templates that come with the binary, by id. They are
// checked like any other; a broken one is a broken build, which a test finds.
var shipped = sync.OnceValues(func() (map[string]*treatmentv1.Template, error) {
	names, err := fs.Glob(shippedFiles, "templates/*.yaml")
	if err != nil {
		return nil, err
	}
	templates := map[string]*treatmentv1.Template{}
	for _, name := range names {
		body, err := shippedFiles.ReadFile(name)
		if err != nil {
			return nil, err
		}
		template, err := ReadTemplate(body)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		template.Version, template.Shipped = 1, true
		templates[strings.TrimSuffix(path.Base(name), ".yaml")] = template
	}
	return templates, nil
})

// ReadTemplate reads a template from YAML or JSON with the contract's field
// names, and checks it.
func ReadTemplate(body []byte) (*treatmentv1.Template, error) {
	var tree any
	if err := yaml.Unmarshal(body, &tree); err != nil {
		return nil, broken("template", "not YAML or JSON: %s", err)
	}
	asJSON, err := json.Marshal(tree)
	if err != nil {
		return nil, broken("template", "not a mapping of field names: %s", err)
	}
	template := &treatmentv1.Template{}
	if err := protojson.Unmarshal(asJSON, template); err != nil {
		return nil, broken("template", "%s", err)
	}
	if err := protovalidate.Validate(template); err != nil {
		return nil, err
	}
	return template, CheckTemplate(template)
}

// shippedTemplate returns a copy of a template that comes with the binary.
func shippedTemplate(id string) (*treatmentv1.Template, bool, error) {
	templates, err := shipped()
	if err != nil {
		return nil, false, err
	}
	template, ok := templates[id]
	if !ok {
		return nil, false, nil
	}
	return proto.CloneOf(template), true, nil
}
