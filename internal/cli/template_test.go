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

func TestATemplateFileThatCannotBeReadIsAFaultOfTheCommandLine(t *testing.T) {
	c, _ := newTemplateClient(t)
	for _, wrong := range []string{"a: [", "1: {2: 3}", "colour: blue", "steps: nothing"} {
		c.in = wrong
		_, errors, code := c.run("treatment", "template", "check", "-")
		require.Equal(t, 2, code, wrong)
		require.Contains(t, errors, "FILE -")
	}
}

func TestTemplatePublishReadsYAML(t *testing.T) {
	c, a := newTemplateClient(t)
	c.in = templateYAML
	_, errors, code := c.run("treatment", "template", "publish", "watch", "-f", "-")
	require.Zero(t, code, errors)
	require.Equal(t, "nurseries/test/templates/watch", a.published.GetName())
	require.Equal(t, "Watch", a.published.GetDisplayName())
}
