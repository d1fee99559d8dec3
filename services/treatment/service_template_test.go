package treatment_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func TestATemplateIsCheckedWithoutBeingPublished(t *testing.T) {
	n, _ := openNursery(t)
	template, err := n.treatment.GetTemplate(asManager(), &treatmentv1.GetTemplateRequest{Name: name("templates/leaf-spots")})
	require.NoError(t, err)
	request := &treatmentv1.CheckTemplateRequest{Parent: "nurseries/test", Template: template}
	checked, err := n.treatment.CheckTemplate(asWorker(), request)
	require.NoError(t, err)
	require.Empty(t, checked.GetFindings())

	template.Steps[3].CandidateActiveIngredients = []string{"mefenoxam", "boscalid"}
	checked, err = n.treatment.CheckTemplate(asWorker(), request)
	require.NoError(t, err)
	require.Len(t, checked.GetFindings(), 2)
	require.Equal(t, "template.steps[3].candidate_active_ingredients[0]", checked.GetFindings()[0].GetField())
	require.Equal(t, "active-works-on-class", checked.GetFindings()[0].GetRule())
	require.False(t, checked.GetFindings()[0].GetWarning())
	require.Equal(t, "three-resistance-groups", checked.GetFindings()[1].GetRule())
	require.True(t, checked.GetFindings()[1].GetWarning())

	_, err = n.treatment.PublishTemplate(asManager(), &treatmentv1.PublishTemplateRequest{Template: template, RequestId: id()})
	rpctest.Refused(t, err, codes.InvalidArgument, fault.TemplateInvalid)
	stored, err := n.treatment.GetTemplate(asManager(), &treatmentv1.GetTemplateRequest{Name: name("templates/leaf-spots")})
	require.NoError(t, err)
	require.True(t, stored.GetShipped(), "nothing was published")
}
