package cli_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// templateAnswers serves fixed findings and keeps the templates it was sent.
type templateAnswers struct {
	treatmentv1.UnimplementedTreatmentServiceServer
	findings  []*treatmentv1.TemplateFinding
	checked   *treatmentv1.Template
	published *treatmentv1.Template
}

func (a *templateAnswers) CheckTemplate(_ context.Context, r *treatmentv1.CheckTemplateRequest) (*treatmentv1.CheckTemplateResponse, error) {
	a.checked = r.GetTemplate()
	return &treatmentv1.CheckTemplateResponse{Findings: a.findings}, nil
}

func (a *templateAnswers) PublishTemplate(_ context.Context, r *treatmentv1.PublishTemplateRequest) (*treatmentv1.Template, error) {
	a.published = r.GetTemplate()
	return r.GetTemplate(), nil
}

func newTemplateClient(t *testing.T) (*client, *templateAnswers) {
	t.Helper()
	a := &templateAnswers{}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) { treatmentv1.RegisterTreatmentServiceServer(server, a) })
	return c, a
}

const templateYAML = `
display_name: Watch
max_rounds: 1
escalate_every_hours: 24
steps:
  - key: inspection
    kind: STEP_KIND_INSPECT
    title: Look
    instructions: Look at every leaf.
    source: common practice, no source
`

func TestTemplateCheckReadsYAMLAndJSONAndPrintsWhatIsWrong(t *testing.T) {
	c, a := newTemplateClient(t)
	file := filepath.Join(t.TempDir(), "watch.yaml")
	require.NoError(t, os.WriteFile(file, []byte(templateYAML), 0o600))
	out, errors, code := c.run("treatment", "template", "check", file)
	require.Zero(t, code, errors)
	require.Contains(t, out, "There are no faults and no warnings.")
	require.Equal(t, "inspection", a.checked.GetSteps()[0].GetKey())

	a.findings = []*treatmentv1.TemplateFinding{{Field: "template.disorders", Rule: "no-disorder", Message: "it is for no disorder", Warning: true}}
	asJSON, err := protojson.Marshal(a.checked)
	require.NoError(t, err)
	c.in = string(asJSON)
	out, errors, code = c.run("treatment", "template", "check", "-")
	require.Zero(t, code, errors)
	require.Contains(t, out, "warning")
	require.Contains(t, out, "no-disorder")

	a.findings = append(a.findings, &treatmentv1.TemplateFinding{Field: "template.steps", Rule: "one-release", Message: "there must be exactly one release step, not 0"})
	out, errors, code = c.run("treatment", "template", "check", "-")
	require.Equal(t, 3, code)
	require.Contains(t, out, "exactly one release step, not 0")
	require.Contains(t, errors, "faults that keep the template from being published: 1")
}

func TestWhatIsWrongWithATemplateFileIsAFindingWithItsLine(t *testing.T) {
	for _, test := range []struct {
		name  string
		file  string
		field string
		says  string
	}{
		{"nothing", "# only a remark\n", "template", "there is nothing in the file"},
		{"no YAML", "steps:\n  - key: a\n kind: b\n", "template", "line 2: did not find expected key"},
		{"no mapping", "- a\n- b\n", "template", "line 1: must be a mapping of field names"},
		{"a key that is no name", "display_name: Watch\n1: {2: 3}\n", "template.1", `line 2: there is no field "1"`},
		{"an unknown field", "display_name: Watch\ncolour: blue\n", "template.colour", `line 2: there is no field "colour"`},
		{"an unknown field of a step", "steps:\n  - key: a\n  - key: b\n    colour: blue\n", "template.steps[1].colour", `line 4: there is no field "colour"`},
		{"a key that stands twice", "display_name: Watch\nsteps: []\ndisplay_name: Look\n", "template",
			`line 3: mapping key "display_name" already defined at line 1`},
		{"a field under both names", "display_name: Watch\ndisplayName: Look\n", "template.display_name",
			`line 2: "displayName" stands twice, first in line 1 as "display_name"`},
		{"no list", "steps: nothing\n", "template.steps", "line 1: must be a list"},
		{"no step", "steps:\n  - nothing\n", "template.steps[0]", "line 2: must be a mapping of field names"},
		{"an unknown kind", "steps:\n  - key: a\n    kind: STEP_KIND_DANCE\n", "template.steps[0].kind",
			`line 3: "STEP_KIND_DANCE" is not one of STEP_KIND_ISOLATE, `},
		{"no number", "max_rounds: three\n", "template.max_rounds", `line 1: "three" is not a whole number`},
		{"no text", "display_name: [a]\n", "template.display_name", "line 1: a list is not a text"},
		{"a number for a text", "disorders:\n  - 12\n", "template.disorders[0]", `line 2: "12" is not a text`},
		{"a day for a text", "display_name: 2026-03-01\n", "template.display_name", `line 1: "2026-03-01" is not a text`},
		{"behind an alias", "steps:\n  - &a\n    colour: blue\n  - <<: *a\n", "template.steps[1].colour", `line 3: there is no field "colour"`},
		{"JSON", "{\n\t\"display_name\": \"Watch\",\n\t\"colour\": \"blue\"\n}\n", "template.colour", `line 3: there is no field "colour"`},
	} {
		t.Run(test.name, func(t *testing.T) {
			c, a := newTemplateClient(t)
			for _, command := range [][]string{
				{"treatment", "template", "check", "-", "--json"},
				{"treatment", "template", "publish", "watch", "-f", "-", "--json"},
			} {
				c.in = test.file
				out, errors, code := c.run(command...)
				require.Equal(t, 3, code, errors)
				var checked treatmentv1.CheckTemplateResponse
				require.NoError(t, protojson.Unmarshal([]byte(out), &checked), out)
				finding := checked.GetFindings()[len(checked.GetFindings())-1]
				require.Equal(t, test.field, finding.GetField())
				require.Contains(t, finding.GetMessage(), test.says)
				require.Equal(t, "format", finding.GetRule())
				require.False(t, finding.GetWarning())
				require.Contains(t, errors, "faults that keep the template from being published")
			}
			require.Nil(t, a.checked)
			require.Nil(t, a.published)
		})
	}
}

func TestEverythingWrongWithATemplateFileIsSaidAtOnce(t *testing.T) {
	c, _ := newTemplateClient(t)
	c.in = "colour: blue\nmax_rounds: three\nsteps:\n  - kind: DANCE\n"
	out, errors, code := c.run("treatment", "template", "check", "-")
	require.Equal(t, 3, code, errors)
	require.Contains(t, errors, "published: 3")
	for _, says := range []string{"template.colour", "template.max_rounds", "template.steps[0].kind"} {
		require.Contains(t, out, says)
	}
}

func TestATemplateOfAnotherNurseryCanBeChecked(t *testing.T) {
	c, a := newTemplateClient(t)
	c.in = templateYAML + "name: nurseries/other/templates/watch\nversion: 3\nshipped: false\ndisorders:\n"
	out, errors, code := c.run("treatment", "template", "check", "-")
	require.Zero(t, code, errors)
	require.Contains(t, out, "There are no faults and no warnings.")
	require.Empty(t, a.checked.GetName())
}

func TestATemplateFileThatIsNotThereIsAFaultOfTheCommandLine(t *testing.T) {
	c, _ := newTemplateClient(t)
	_, errors, code := c.run("treatment", "template", "check", "/nowhere/watch.yaml")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "FILE: open /nowhere/watch.yaml")
}

func TestTemplatePublishReadsYAML(t *testing.T) {
	c, a := newTemplateClient(t)
	c.in = templateYAML
	_, errors, code := c.run("treatment", "template", "publish", "watch", "-f", "-")
	require.Zero(t, code, errors)
	require.Equal(t, "nurseries/test/templates/watch", a.published.GetName())
	require.Equal(t, "Watch", a.published.GetDisplayName())
}
