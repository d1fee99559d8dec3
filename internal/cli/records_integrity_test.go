package cli_test

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// ledgerAnswers serves fixed answers about the ledger and keeps what it was asked.
type ledgerAnswers struct {
	recordsv1.UnimplementedRecordsServiceServer
	asked   proto.Message
	verdict *recordsv1.VerifyLedgerResponse
}

func (a *ledgerAnswers) VerifyLedger(_ context.Context, r *recordsv1.VerifyLedgerRequest) (*recordsv1.VerifyLedgerResponse, error) {
	a.asked = r
	return a.verdict, nil
}

func (a *ledgerAnswers) CloseMonth(_ context.Context, r *recordsv1.CloseMonthRequest) (*recordsv1.Close, error) {
	a.asked = r
	return aClose(), nil
}

func (a *ledgerAnswers) ListCloses(context.Context, *recordsv1.ListClosesRequest) (*recordsv1.ListClosesResponse, error) {
	late := aClose()
	late.LateEntries = []string{"nurseries/test/entries/41", "nurseries/test/entries/44"}
	return &recordsv1.ListClosesResponse{Closes: []*recordsv1.Close{late}}, nil
}

func (a *ledgerAnswers) PlaceHold(_ context.Context, r *recordsv1.PlaceHoldRequest) (*recordsv1.Hold, error) {
	a.asked = r
	placed := r.GetHold()
	placed.Name, placed.Placer, placed.CreateTime = "nurseries/test/holds/2", "nurseries/test/people/mira", utc(3, 8)
	return placed, nil
}

func (a *ledgerAnswers) LiftHold(_ context.Context, r *recordsv1.LiftHoldRequest) (*recordsv1.Hold, error) {
	a.asked = r
	return aLiftedHold(), nil
}

func (a *ledgerAnswers) ListHolds(_ context.Context, r *recordsv1.ListHoldsRequest) (*recordsv1.ListHoldsResponse, error) {
	a.asked = r
	return &recordsv1.ListHoldsResponse{Holds: []*recordsv1.Hold{
		{Name: "nurseries/test/holds/1", Reason: "inquiry", Placer: "nurseries/test/people/olwen", CreateTime: utc(1, 8)}, aLiftedHold(),
	}}, nil
}

func (a *ledgerAnswers) GetEntry(context.Context, *recordsv1.GetEntryRequest) (*recordsv1.Entry, error) {
	return &recordsv1.Entry{Name: "nurseries/test/entries/41", LateFor: "nurseries/test/closes/2026-02"}, nil
}

func (a *ledgerAnswers) ListEntries(context.Context, *recordsv1.ListEntriesRequest) (*recordsv1.ListEntriesResponse, error) {
	return &recordsv1.ListEntriesResponse{Entries: []*recordsv1.Entry{
		{Name: "nurseries/test/entries/41", LateFor: "nurseries/test/closes/2026-02"},
		{Name: "nurseries/test/entries/42", CorrectedBy: "nurseries/test/entries/43", LateFor: "nurseries/test/closes/2026-02"},
	}}, nil
}

func aClose() *recordsv1.Close {
	return &recordsv1.Close{
		Name: "nurseries/test/closes/2026-02", Number: 2, Month: "2026-02", BeginTime: utc(1, 0), EndTime: utc(2, 0), LastEntry: 40,
		Head: strings.Repeat("ab", 32), MonthEntries: 12, MonthCorrections: 1, Closer: "nurseries/test/people/mira", CreateTime: utc(3, 8),
		KeyId: "0123456789abcdef", PublicKey: strings.Repeat("cd", 32), Signature: strings.Repeat("ef", 64), SignedText: "{}",
	}
}

func aLiftedHold() *recordsv1.Hold {
	return &recordsv1.Hold{
		Name: "nurseries/test/holds/2", House: "nurseries/test/houses/h1", FromDate: &typev1.Date{Value: "2026-01-01"}, Reason: "claim of a buyer",
		Placer: "nurseries/test/people/mira", CreateTime: utc(3, 8), Lifter: "nurseries/test/people/olwen", LiftReason: "settled", LiftTime: utc(4, 8),
	}
}

func newLedgerClient(t *testing.T) (*client, *ledgerAnswers) {
	t.Helper()
	a := &ledgerAnswers{verdict: &recordsv1.VerifyLedgerResponse{
		Entries: 44, FirstEntry: 1, LastEntry: 44, Closes: 2, Intact: true, Head: strings.Repeat("ab", 32), KeyId: "0123456789abcdef",
	}}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		recordsv1.RegisterRecordsServiceServer(server, a)
	})
	return c, a
}

func TestVerifySaysWhatWasCheckedAndWhatWasBelieved(t *testing.T) {
	c, a := newLedgerClient(t)
	out, errors, code := c.run("records", "verify")
	require.Equal(t, 0, code, errors)
	golden(t, "records-verify.txt", out)

	a.verdict.FirstEntry, a.verdict.Entries = 12, 33
	a.verdict.Trusts = []string{"The range begins from the stored hash of entry 11, which is believed."}
	out, errors, code = c.run("records", "verify", "--from", "12")
	require.Equal(t, 0, code, errors)
	golden(t, "records-verify-range.txt", out)
	require.True(t, proto.Equal(&recordsv1.VerifyLedgerRequest{Parent: "nurseries/test", FromSequence: 12}, a.asked))

	_, errors, code = c.run("records", "verify", "--from", "2026-03-01", "--to", "2026-03-31")
	require.Equal(t, 0, code, errors)
	require.True(t, proto.Equal(&recordsv1.VerifyLedgerRequest{
		Parent: "nurseries/test", FromDate: &typev1.Date{Value: "2026-03-01"}, ToDate: &typev1.Date{Value: "2026-03-31"},
	}, a.asked))
}

func TestVerifyRefusesAnEndThatIsNeitherAnEntryNorADay(t *testing.T) {
	c, _ := newLedgerClient(t)
	for _, test := range []struct {
		args []string
		says string
	}{
		{[]string{"--from", "March"}, `--from "March": it must be the number of an entry such as 120, or a day such as 2026-03-01`},
		{[]string{"--to", "0"}, `--to "0": it must be the number of an entry`},
		{[]string{"--from", "3", "--to", "2026-03-01"}, "give both as numbers of entries or both as days"},
	} {
		_, errors, code := c.run(append([]string{"records", "verify"}, test.args...)...)
		require.Equal(t, 2, code, test.args)
		require.Contains(t, errors, test.says)
	}
}

func TestVerifyFailsWhenSomethingIsBroken(t *testing.T) {
	c, a := newLedgerClient(t)
	a.verdict.Intact, a.verdict.BrokenEntry, a.verdict.BrokenClose = false, "nurseries/test/entries/40", "nurseries/test/closes/2026-02"
	a.verdict.Fault = "Its hash is not the one that the close of 2026-02 signed: it was replaced."
	out, errors, code := c.run("records", "verify")
	require.Equal(t, 1, code)
	golden(t, "records-verify-broken.txt", out)
	require.Contains(t, errors, "the ledger is broken at entry 40: Its hash is not the one that the close of 2026-02 signed")

	a.verdict.BrokenEntry, a.verdict.Fault = "", "Its signature is not that of what it says."
	_, errors, code = c.run("records", "verify")
	require.Equal(t, 1, code)
	require.Contains(t, errors, "the close of 2026-02 is broken: Its signature is not that of what it says.")
}

func TestACloseShowsThePublicKeyAndTheHashToKeep(t *testing.T) {
	c, a := newLedgerClient(t)
	out, errors, code := c.run("records", "close", "2026-02", "--request-id", "11111111-1111-4111-8111-111111111111")
	require.Equal(t, 0, code, errors)
	golden(t, "records-close.txt", out)
	sentAs(t, "records-close-request.json", a.asked)

	out, errors, code = c.run("records", "closes")
	require.Equal(t, 0, code, errors)
	golden(t, "records-closes.txt", out)

	_, errors, code = c.run("records", "close", "February")
	require.Equal(t, 2, code)
	require.Contains(t, errors, `MONTH "February": it must be a month such as 2026-03`)
}

func TestALateEntryIsShownAsLate(t *testing.T) {
	c, _ := newLedgerClient(t)
	out, errors, code := c.run("records", "entry", "41")
	require.Equal(t, 0, code, errors)
	require.Regexp(t, `Late for: +the close of 2026-02`, out)
	out, errors, code = c.run("records", "entries")
	require.Equal(t, 0, code, errors)
	golden(t, "records-late-entries.txt", out)
}

func TestAHoldIsPlacedListedAndLifted(t *testing.T) {
	c, a := newLedgerClient(t)
	out, errors, code := c.run("records", "hold", "--house", "h1", "--from", "2026-01-01", "--reason", "claim of a buyer",
		"--request-id", "11111111-1111-4111-8111-111111111111")
	require.Equal(t, 0, code, errors)
	golden(t, "records-hold.txt", out)

	out, errors, code = c.run("records", "holds", "--lifted")
	require.Equal(t, 0, code, errors)
	golden(t, "records-holds.txt", out)
	require.True(t, a.asked.(*recordsv1.ListHoldsRequest).GetLifted())

	out, errors, code = c.run("records", "lift", "2", "--reason", "settled", "--request-id", "11111111-1111-4111-8111-111111111111")
	require.Equal(t, 0, code, errors)
	golden(t, "records-lift.txt", out)
	sentAs(t, "records-lift-request.json", a.asked)
}

func TestAHoldMustSayWhatItCovers(t *testing.T) {
	c, a := newLedgerClient(t)
	for _, wrong := range [][]string{
		{"--reason", "r"},
		{"--all", "--house", "h1", "--reason", "r"},
		{"--all", "--from", "2026-01-01", "--reason", "r"},
		{"--all"},
		{"--from", "January", "--reason", "r"},
	} {
		_, _, code := c.run(append([]string{"records", "hold"}, wrong...)...)
		require.Equal(t, 2, code, wrong)
	}
	require.Nil(t, a.asked)
	_, errors, code := c.run("records", "hold", "--all", "--reason", "r")
	require.Equal(t, 0, code, errors)
	require.Empty(t, a.asked.(*recordsv1.PlaceHoldRequest).GetHold().GetHouse())
}
