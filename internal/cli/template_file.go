package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// ruleFormat is the rule that a file breaks which is no template at all; the server
// calls it the same.
const ruleFormat = "format"

// readTemplate reads a template from a YAML or JSON file; every JSON file is YAML.
// What is wrong with the file are findings, with the line; then there is no
// template.
func (a *app) readTemplate(flag, file string) (*treatmentv1.Template, []*treatmentv1.TemplateFinding, error) {
	content, err := a.readFile(flag, file)
	if err != nil {
		return nil, nil, err
	}
	template, findings := parseTemplate(content)
	return template, findings, nil
}

func parseTemplate(content []byte) (*treatmentv1.Template, []*treatmentv1.TemplateFinding) {
	var document yaml.Node
	if err := yaml.Unmarshal(content, &document); err != nil {
		return nil, brokenYAML(err)
	}
	if len(document.Content) == 0 {
		return nil, []*treatmentv1.TemplateFinding{{Field: "template", Rule: ruleFormat, Message: "there is nothing in the file"}}
	}
	// Reading it all also refuses keys that stand twice and anchors that hold
	// themselves, so that the walk below comes to an end.
	var tree any
	if err := document.Decode(&tree); err != nil {
		return nil, brokenYAML(err)
	}
	template := &treatmentv1.Template{}
	var check templateFile
	check.message("template", document.Content[0], template.ProtoReflect().Descriptor())
	if len(check.findings) > 0 {
		return nil, check.findings
	}
	if err := unmarshalTree(tree, template); err != nil {
		check.find("template", document.Content[0], "%s", err)
		return nil, check.findings
	}
	return template, nil
}

// brokenYAML returns what the reader of YAML says, which names the lines.
func brokenYAML(err error) []*treatmentv1.TemplateFinding {
	texts := []string{strings.TrimPrefix(err.Error(), "yaml: ")}
	var several *yaml.TypeError
	if errors.As(err, &several) {
		texts = several.Errors
	}
	findings := make([]*treatmentv1.TemplateFinding, len(texts))
	for i, text := range texts {
		findings[i] = &treatmentv1.TemplateFinding{Field: "template", Rule: ruleFormat, Message: text}
	}
	return findings
}

// templateFile gathers where a file departs from the contract. The contract's own
// reader stops at the first such place, and knows no lines.
type templateFile struct {
	findings []*treatmentv1.TemplateFinding
}

func (f *templateFile) find(path string, node *yaml.Node, format string, args ...any) {
	f.findings = append(f.findings, &treatmentv1.TemplateFinding{
		Field: path, Rule: ruleFormat, Message: fmt.Sprintf("line %d: ", node.Line) + fmt.Sprintf(format, args...),
	})
}

// message checks the fields of a mapping.
func (f *templateFile) message(path string, node *yaml.Node, descriptor protoreflect.MessageDescriptor) {
	node = resolved(node)
	if node.Kind != yaml.MappingNode {
		f.find(path, node, "must be a mapping of field names")
		return
	}
	seen := map[protoreflect.FieldNumber]*yaml.Node{}
	for i := 0; i < len(node.Content); i += 2 {
		key, value := node.Content[i], node.Content[i+1]
		if key.Tag == "!!merge" {
			f.merged(path, value, descriptor)
			continue
		}
		name := resolved(key).Value
		field := fieldNamed(descriptor, name)
		if field == nil {
			f.find(path+"."+name, key, "there is no field %q", name)
			continue
		}
		if first, twice := seen[field.Number()]; twice {
			f.find(path+"."+string(field.Name()), key, "%q stands twice, first in line %d as %q", name, first.Line, first.Value)
			continue
		}
		seen[field.Number()] = key
		f.field(path+"."+string(field.Name()), value, field)
	}
}

// merged checks what a mapping takes over from others.
func (f *templateFile) merged(path string, node *yaml.Node, descriptor protoreflect.MessageDescriptor) {
	node = resolved(node)
	if node.Kind != yaml.SequenceNode {
		f.message(path, node, descriptor)
		return
	}
	for _, from := range node.Content {
		f.message(path, from, descriptor)
	}
}

// fieldNamed finds a field by either of the two names that the contract's reader
// takes.
func fieldNamed(descriptor protoreflect.MessageDescriptor, name string) protoreflect.FieldDescriptor {
	if field := descriptor.Fields().ByJSONName(name); field != nil {
		return field
	}
	return descriptor.Fields().ByTextName(name)
}

func (f *templateFile) field(path string, node *yaml.Node, field protoreflect.FieldDescriptor) {
	node = resolved(node)
	switch {
	case node.Tag == "!!null": // as if it were not there
	case !field.IsList():
		f.value(path, node, field)
	case node.Kind != yaml.SequenceNode:
		f.find(path, node, "must be a list")
	default:
		for i, element := range node.Content {
			f.value(fmt.Sprintf("%s[%d]", path, i), resolved(element), field)
		}
	}
}

// value checks one value of a field: a message by its fields, any other by reading
// it as the field would. A day that stands where a text belongs would become
// another text.
func (f *templateFile) value(path string, node *yaml.Node, field protoreflect.FieldDescriptor) {
	if message := field.Message(); message != nil {
		f.message(path, node, message)
		return
	}
	var value any
	err := node.Decode(&value)
	if err == nil {
		if field.IsList() {
			value = []any{value}
		}
		err = unmarshalTree(map[string]any{string(field.Name()): value}, dynamicpb.NewMessage(field.ContainingMessage()))
	}
	if err != nil || node.Tag == "!!timestamp" {
		f.find(path, node, "%s is not %s", shown(node), wanted(field))
	}
}

func shown(node *yaml.Node) string {
	switch node.Kind {
	case yaml.MappingNode:
		return "a mapping"
	case yaml.SequenceNode:
		return "a list"
	default:
		return fmt.Sprintf("%q", node.Value)
	}
}

// wanted says what a field takes.
func wanted(field protoreflect.FieldDescriptor) string {
	switch field.Kind() {
	case protoreflect.EnumKind:
		values := field.Enum().Values()
		names := make([]string, 0, values.Len())
		for i := range values.Len() {
			if values.Get(i).Number() != 0 {
				names = append(names, string(values.Get(i).Name()))
			}
		}
		return "one of " + strings.Join(names, ", ")
	case protoreflect.StringKind:
		return "a text; a text that looks like something else stands between quotation marks"
	case protoreflect.BoolKind:
		return "true or false"
	default:
		return "a whole number that the field can hold"
	}
}

// resolved follows an alias to what it stands for.
func resolved(node *yaml.Node) *yaml.Node {
	if node.Kind == yaml.AliasNode {
		return node.Alias
	}
	return node
}

// unmarshalTree reads what was YAML as the contract's JSON.
func unmarshalTree(tree any, message protoreflect.ProtoMessage) error {
	asJSON, err := json.Marshal(tree)
	if err != nil {
		return err
	}
	return protojson.Unmarshal(asJSON, message)
}
