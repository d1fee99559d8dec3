package identity_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
	"velamen/services/identity"
)

func qualification(kind identityv1.QualificationKind, day string) *identityv1.Qualification {
	return &identityv1.Qualification{Kind: kind, Date: &typev1.Date{Value: day}, Description: "film W-3, English", Provider: "Ada Adviser, trainer 12"}
}

func (b *bench) qualify(by context.Context, person string, q *identityv1.Qualification) (*identityv1.Qualification, error) {
	return b.client.RecordQualification(by, &identityv1.RecordQualificationRequest{
		Parent: "nurseries/test/people/" + person, Qualification: q, RequestId: uuid.NewString(),
	})
}

func (b *bench) qualifications(by context.Context, person string, size int32) (names []string, err error) {
	request := &identityv1.ListQualificationsRequest{Parent: "nurseries/test/people/" + person, PageSize: size}
	for {
		page, err := b.client.ListQualifications(by, request)
		if err != nil {
			return nil, err
		}
		for _, q := range page.GetQualifications() {
			names = append(names, q.GetName())
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			return names, nil
		}
	}
}

func TestATrainingIsKeptAndVoidedOnce(t *testing.T) {
	b := newBench(t)
	b.add(t, "wandile", identityv1.Role_ROLE_WORKER)
	request := &identityv1.RecordQualificationRequest{
		Parent: "nurseries/test/people/wandile", Qualification: qualification(identity.HandlerTraining, "2026-03-02"), RequestId: uuid.NewString(),
	}
	kept, err := b.client.RecordQualification(b.owner, request)
	require.NoError(t, err)
	require.Equal(t, "2027-03-01", kept.GetEndDate().GetValue())
	require.Equal(t, "nurseries/test/people/olwen", kept.GetRecorder())
	again, err := b.client.RecordQualification(b.owner, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(kept, again), "a retry gets the first answer")
	require.Equal(t, 1, b.count(t, "identity.qualification"))

	person, err := identity.ReadPerson(context.Background(), b.db.DB, "test", "wandile")
	require.NoError(t, err)
	require.True(t, person.Qualified(identity.HandlerTraining, "2026-03-02", "2027-03-01"))

	void := func(reason string) (*identityv1.Qualification, error) {
		return b.client.VoidQualification(b.owner, &identityv1.VoidQualificationRequest{Name: kept.GetName(), Reason: reason, RequestId: uuid.NewString()})
	}
	voided, err := void("it was Yuki who was trained")
	require.NoError(t, err)
	require.Equal(t, "it was Yuki who was trained", voided.GetVoidReason())
	require.NotNil(t, voided.GetVoidTime())
	_, err = void("again")
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.InvalidField)
	require.Contains(t, message, "it was Yuki")
	person, err = identity.ReadPerson(context.Background(), b.db.DB, "test", "wandile")
	require.NoError(t, err)
	require.Empty(t, person.Qualifications, "it counts no more")
	names, err := b.qualifications(b.owner, "wandile", 10)
	require.NoError(t, err)
	require.Equal(t, []string{kept.GetName()}, names, "and stays on record")
}

func TestAQualificationIsRefusedByItsFieldAndToWhoMayNotEnterIt(t *testing.T) {
	b := newBench(t)
	b.add(t, "wandile", identityv1.Role_ROLE_WORKER)
	_, err := b.qualify(b.owner, "wandile", qualification(identity.HandlerTraining, "2026-03-03"))
	message, _ := rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
	require.Contains(t, message, "qualification.date")
	_, err = b.qualify(b.owner, "nobody", qualification(identity.HandlerTraining, "2026-03-01"))
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = b.qualify(b.as(t, "wandile", password), "wandile", qualification(identity.HandlerTraining, "2026-03-01"))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	require.Zero(t, b.count(t, "identity.qualification"))
	_, err = b.client.VoidQualification(b.owner, &identityv1.VoidQualificationRequest{
		Name: "nurseries/test/people/wandile/qualifications/none", Reason: "r", RequestId: uuid.NewString(),
	})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

func TestWorkersSeeTheirOwnQualifications(t *testing.T) {
	b := newBench(t)
	for _, id := range []string{"wandile", "yuki"} {
		b.add(t, id, identityv1.Role_ROLE_WORKER)
		for range 2 {
			b.clock.forward(time.Minute)
			_, err := b.qualify(b.owner, id, qualification(identity.FitTest, "2026-03-01"))
			require.NoError(t, err)
		}
	}
	all, err := b.qualifications(b.owner, "-", 3)
	require.NoError(t, err)
	require.Len(t, all, 4)
	worker := b.as(t, "wandile", password)
	own, err := b.qualifications(worker, "wandile", 1)
	require.NoError(t, err)
	require.Equal(t, all[2:], own, "the newest first, page by page")
	for _, other := range []string{"yuki", "-"} {
		_, err = b.qualifications(worker, other, 1)
		rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	}
	ends, err := b.client.ListExpiries(worker, &identityv1.ListExpiriesRequest{Parent: "nurseries/test", Days: 400})
	require.NoError(t, err)
	require.Len(t, ends.GetExpiries(), 1)
	require.Equal(t, "nurseries/test/people/wandile", ends.GetExpiries()[0].GetPerson())
}

func TestWhatEndsSoonIsToldOnTheNurserysOwnDay(t *testing.T) {
	b := newBench(t)
	b.add(t, "wandile", identityv1.Role_ROLE_WORKER)
	given := qualification(identity.HandlerTraining, "2025-03-02")
	_, err := b.qualify(b.owner, "wandile", given)
	require.NoError(t, err)
	ends := func(days int32) []*identityv1.Expiry {
		answer, err := b.client.ListExpiries(b.owner, &identityv1.ListExpiriesRequest{Parent: "nurseries/test", Days: days})
		require.NoError(t, err)
		return answer.GetExpiries()
	}
	require.Len(t, ends(0), 1)
	require.Equal(t, "2026-03-01", ends(0)[0].GetEndDate().GetValue())
	require.Equal(t, "handler training", ends(0)[0].GetWhat())
	require.True(t, ends(0)[0].GetEnded(), "its last day was yesterday")
	_, err = b.qualify(b.owner, "wandile", qualification(identity.HandlerTraining, "2026-03-02"))
	require.NoError(t, err)
	require.Empty(t, ends(0), "he was trained anew")
	require.Len(t, ends(365), 1)
}

func TestAQualificationIsWrittenOnceWhoeverWrites(t *testing.T) {
	b := newBench(t)
	b.add(t, "wandile", identityv1.Role_ROLE_WORKER)
	_, err := b.qualify(b.owner, "wandile", qualification(identity.FitTest, "2026-03-01"))
	require.NoError(t, err)
	for _, statement := range []string{
		`UPDATE identity.qualification SET date = date - 1`, `UPDATE identity.qualification SET end_date = NULL`,
		`UPDATE identity.qualification SET description = 'another'`, `DELETE FROM identity.qualification`, `TRUNCATE identity.qualification`,
	} {
		err := b.db.InTx(context.Background(), func(tx pgx.Tx) error {
			_, err := tx.Exec(context.Background(), statement)
			return err
		})
		require.Error(t, err, statement)
	}
}
