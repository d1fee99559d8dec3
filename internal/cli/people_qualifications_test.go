package cli_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// qualificationAnswers serves fixed answers about people and keeps the request.
type qualificationAnswers struct {
	*answers
	asked proto.Message
}

func aTraining() *identityv1.Qualification {
	return &identityv1.Qualification{
		Name: "nurseries/test/people/wandile/qualifications/q-1", Kind: identityv1.QualificationKind_QUALIFICATION_KIND_HANDLER_TRAINING,
		Date: &typev1.Date{Value: "2026-02-10"}, EndDate: &typev1.Date{Value: "2027-02-09"}, Description: "handler film W-3, English",
		Provider: "Ada Adviser, trainer 12", Recorder: "nurseries/test/people/mira", CreateTime: utc(2, 8),
	}
}

func (a *qualificationAnswers) RecordQualification(_ context.Context, r *identityv1.RecordQualificationRequest) (*identityv1.Qualification, error) {
	r.RequestId = ""
	a.asked = r
	return aTraining(), nil
}

func (a *qualificationAnswers) VoidQualification(_ context.Context, r *identityv1.VoidQualificationRequest) (*identityv1.Qualification, error) {
	r.RequestId = ""
	a.asked = r
	voided := aTraining()
	voided.VoidReason, voided.Voider, voided.VoidTime = r.GetReason(), "nurseries/test/people/mira", utc(3, 8)
	return voided, nil
}

func (a *qualificationAnswers) ListQualifications(_ context.Context, r *identityv1.ListQualificationsRequest) (*identityv1.ListQualificationsResponse, error) {
	r.PageSize = 0
	a.asked = r
	return &identityv1.ListQualificationsResponse{Qualifications: []*identityv1.Qualification{aTraining()}}, nil
}

func (a *qualificationAnswers) ListExpiries(_ context.Context, r *identityv1.ListExpiriesRequest) (*identityv1.ListExpiriesResponse, error) {
	a.asked = r
	return &identityv1.ListExpiriesResponse{Expiries: []*identityv1.Expiry{
		{Person: "nurseries/test/people/yuki", DisplayName: "Yuki Worker", What: "certificate P-77", EndDate: &typev1.Date{Value: "2026-03-01"}, Ended: true},
		{Person: "nurseries/test/people/wandile", DisplayName: "Wandile Worker", What: "fit test", EndDate: &typev1.Date{Value: "2026-04-01"}},
	}}, nil
}

func TestQualificationsAreEnteredListedAndVoided(t *testing.T) {
	c := newClient(t)
	a := &qualificationAnswers{answers: c.answers}
	c.conn = rpctest.Serve(t, func(server *rpc.Server) { identityv1.RegisterIdentityServiceServer(server, a) })
	run := func(file string, asked proto.Message, args ...string) {
		t.Helper()
		out, errors, code := c.run(append([]string{"people"}, args...)...)
		require.Zero(t, code, errors)
		golden(t, file, out)
		require.True(t, proto.Equal(asked, a.asked), "%v", a.asked)
	}
	const wandile = "nurseries/test/people/wandile"
	run("people-qualify.txt", &identityv1.RecordQualificationRequest{Parent: wandile, Qualification: &identityv1.Qualification{
		Kind: identityv1.QualificationKind_QUALIFICATION_KIND_HANDLER_TRAINING, Date: &typev1.Date{Value: "2026-02-10"},
		Description: "handler film W-3, English", Provider: "Ada Adviser, trainer 12",
	}}, "qualify", "wandile", "--kind", "handler-training", "--date", "2026-02-10", "--description", "handler film W-3, English", "--provider", "Ada Adviser, trainer 12")
	run("people-qualifications.txt", &identityv1.ListQualificationsRequest{Parent: "nurseries/test/people/-"}, "qualifications")
	run("people-qualifications.txt", &identityv1.ListQualificationsRequest{Parent: wandile}, "qualifications", "wandile")
	run("people-void.txt", &identityv1.VoidQualificationRequest{Name: wandile + "/qualifications/q-1", Reason: "it was Yuki"}, "void", "wandile/q-1", "--reason", "it was Yuki")
	run("people-expiries.txt", &identityv1.ListExpiriesRequest{Parent: "nurseries/test", Days: 90}, "expiries", "--days", "90")
}
