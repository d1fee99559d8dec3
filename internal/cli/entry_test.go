package cli_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// entryAnswers serves fixed answers about entries and notices and keeps the request.
type entryAnswers struct {
	treatmentv1.UnimplementedTreatmentServiceServer
	asked proto.Message
}

const (
	entryCaution = "The product label and local law decide on dose, protective equipment and re-entry."
	shortEntry   = treatmentv1.EntryKind_ENTRY_KIND_SHORT_TERM
)

func anEntry() *treatmentv1.HouseEntry {
	return &treatmentv1.HouseEntry{
		Name: "nurseries/test/houses/h1/entries/e-1", Person: "nurseries/test/people/wandile", Kind: treatmentv1.EntryKind_ENTRY_KIND_HANDLER,
		Purpose: "open the vents", ProtectiveEquipment: "half mask H-2, coveralls", StartTime: utc(2, 7), Recorder: "nurseries/test/people/wandile", CreateTime: utc(2, 7),
		Grounds: []*treatmentv1.EntryGround{{Rule: "handler-training", Message: "Wandile Worker's training as a handler counts.", Source: "40 CFR 170.501, from memory"}},
	}
}

func aBreach() *treatmentv1.HouseEntry {
	return &treatmentv1.HouseEntry{
		Name: "nurseries/test/houses/h1/entries/e-0", Person: "nurseries/test/people/yuki", Kind: treatmentv1.EntryKind_ENTRY_KIND_ORDINARY, Purpose: "fetch a hose",
		StartTime: utc(2, 6), EndTime: utc(2, 7), BreachNote: "had not seen the sign; sent to wash", Recorder: "nurseries/test/people/mira", CreateTime: utc(2, 8),
		Grounds: []*treatmentv1.EntryGround{{Rule: "house-open", Refuses: true, Message: "The restricted-entry interval lasts until 2026-03-02 20:00 SAST.", Source: "40 CFR 170.407"}},
	}
}

func (a *entryAnswers) CheckEntry(_ context.Context, r *treatmentv1.CheckEntryRequest) (*treatmentv1.CheckEntryResponse, error) {
	a.asked = r
	if r.GetEntry().GetKind() == shortEntry {
		return &treatmentv1.CheckEntryResponse{Allowed: true, Caution: entryCaution, Conditions: []string{"Water, soap and towels stand ready, and steps against heat illness are taken."},
			Grounds: []*treatmentv1.EntryGround{{Rule: "early-entry-time", Message: "The worker is in areas under an interval for 20 min in 24 h, at most 1 h.", Source: "40 CFR 170.603(b), from memory"}}}, nil
	}
	return &treatmentv1.CheckEntryResponse{Grounds: aBreach().GetGrounds(), Caution: entryCaution,
		Closures: []*treatmentv1.Closure{{Missing: []string{"the size of the droplets"}}}}, nil
}

func (a *entryAnswers) RecordEntry(_ context.Context, r *treatmentv1.RecordEntryRequest) (*treatmentv1.HouseEntry, error) {
	r.RequestId = ""
	a.asked = r
	if r.GetEntry().GetBreachNote() != "" {
		return aBreach(), nil
	}
	return anEntry(), nil
}

func (a *entryAnswers) EndEntry(_ context.Context, r *treatmentv1.EndEntryRequest) (*treatmentv1.HouseEntry, error) {
	r.RequestId = ""
	a.asked = r
	ended := anEntry()
	ended.EndTime = r.GetEndTime()
	return ended, nil
}

func (a *entryAnswers) ListHouseEntries(_ context.Context, r *treatmentv1.ListHouseEntriesRequest) (*treatmentv1.ListHouseEntriesResponse, error) {
	r.PageSize = 0
	a.asked = r
	return &treatmentv1.ListHouseEntriesResponse{Entries: []*treatmentv1.HouseEntry{anEntry(), aBreach()}}, nil
}

func (a *entryAnswers) ListNotices(_ context.Context, r *treatmentv1.ListNoticesRequest) (*treatmentv1.ListNoticesResponse, error) {
	a.asked = r
	signs := aNotice("signs-up", treatmentv1.NoticeKind_NOTICE_KIND_SIGNS_UP)
	signs.NotBeforeTime, signs.DueTime, signs.UntilTime, signs.Either, signs.Overdue = utc(1, 6), utc(2, 6), utc(2, 18), true, true
	signs.Message = "Put up warning signs at the entrances. House 1: keep out of the treated area."
	shown := aNotice("displayed", treatmentv1.NoticeKind_NOTICE_KIND_DISPLAYED)
	shown.DueTime, shown.DoneTime, shown.Person = utc(3, 6), utc(2, 8), "nurseries/test/people/mira"
	shown.Message = "Show what was applied at the central display."
	return &treatmentv1.ListNoticesResponse{Notices: []*treatmentv1.Notice{signs, shown}, Caution: entryCaution}, nil
}

func aNotice(words string, kind treatmentv1.NoticeKind) *treatmentv1.Notice {
	return &treatmentv1.Notice{
		Name: "nurseries/test/notices/p-1-systemic-1-1-h1-" + words, Application: "nurseries/test/applications/p-1-systemic-1-1", House: "nurseries/test/houses/h1", Kind: kind,
	}
}

func (a *entryAnswers) RecordNotice(_ context.Context, r *treatmentv1.RecordNoticeRequest) (*treatmentv1.Notice, error) {
	r.RequestId = ""
	a.asked = r
	done := aNotice("signs-up", treatmentv1.NoticeKind_NOTICE_KIND_SIGNS_UP)
	done.DoneTime, done.Person, done.Note, done.UntilTime = r.GetDoneTime(), "nurseries/test/people/wandile", r.GetNote(), utc(2, 18)
	return done, nil
}

func newEntryClient(t *testing.T) (*client, *entryAnswers) {
	t.Helper()
	a := &entryAnswers{}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		treatmentv1.RegisterTreatmentServiceServer(server, a)
	})
	return c, a
}

func TestEntriesAreCheckedRecordedEndedAndListed(t *testing.T) {
	c, a := newEntryClient(t)
	run := func(want int, file string, asked proto.Message, args ...string) {
		t.Helper()
		out, errors, code := c.run(append([]string{"entry"}, args...)...)
		require.Equal(t, want, code, errors)
		golden(t, file, out)
		require.True(t, proto.Equal(asked, a.asked), "%v", a.asked)
	}
	const house = "nurseries/test/houses/h1"
	early := &treatmentv1.HouseEntry{
		Kind: shortEntry, Purpose: "close a valve", ProtectiveEquipment: "coveralls, gloves", HandLabour: treatmentv1.Said_SAID_NO, StartTime: utc(2, 12), EndTime: utc(2, 13),
	}
	run(0, "entry-check.txt", &treatmentv1.CheckEntryRequest{Parent: house, Entry: early}, "check", "h1", "--as", "short-term", "--for", "close a valve",
		"--wearing", "coveralls, gloves", "--hand-labour", "no", "--from", "2026-03-02 14:00", "--until", "2026-03-02 15:00")
	plain := &treatmentv1.HouseEntry{Kind: treatmentv1.EntryKind_ENTRY_KIND_ORDINARY, Purpose: "watering", StartTime: utc(2, 12)}
	run(3, "entry-check-refused.txt", &treatmentv1.CheckEntryRequest{Parent: house, Entry: plain}, "check", "h1", "--for", "watering", "--from", "2026-03-02 14:00")
	handling := &treatmentv1.HouseEntry{Kind: treatmentv1.EntryKind_ENTRY_KIND_HANDLER, Purpose: "open the vents", ProtectiveEquipment: "half mask H-2, coveralls", StartTime: utc(2, 7)}
	run(0, "entry-record.txt", &treatmentv1.RecordEntryRequest{Parent: house, Entry: handling}, "record", "h1", "--as", "handler", "--for", "open the vents",
		"--wearing", "half mask H-2, coveralls", "--from", "2026-03-02 09:00")
	breach := &treatmentv1.HouseEntry{
		Kind: treatmentv1.EntryKind_ENTRY_KIND_ORDINARY, Person: "nurseries/test/people/yuki", Purpose: "fetch a hose", StartTime: utc(2, 6), EndTime: utc(2, 7),
		BreachNote: "had not seen the sign; sent to wash",
	}
	run(0, "entry-breach.txt", &treatmentv1.RecordEntryRequest{Parent: house, Entry: breach}, "record", "h1", "--person", "yuki", "--for", "fetch a hose",
		"--from", "2026-03-02 08:00", "--until", "2026-03-02 09:00", "--breach", "had not seen the sign; sent to wash")
	run(0, "entry-end.txt", &treatmentv1.EndEntryRequest{Name: house + "/entries/e-1", EndTime: utc(2, 8)}, "end", "h1/e-1", "--at", "2026-03-02 10:00")
	run(0, "entry-log.txt", &treatmentv1.ListHouseEntriesRequest{Parent: "nurseries/test/houses/-"}, "log")
	run(0, "entry-log.txt", &treatmentv1.ListHouseEntriesRequest{Parent: house, Person: "nurseries/test/people/wandile"}, "log", "h1", "--person", "wandile")
}

func TestNoticesAreListedAndDone(t *testing.T) {
	c, a := newEntryClient(t)
	run := func(file string, asked proto.Message, args ...string) {
		t.Helper()
		out, errors, code := c.run(append([]string{"notices"}, args...)...)
		require.Zero(t, code, errors)
		golden(t, file, out)
		require.True(t, proto.Equal(asked, a.asked), "%v", a.asked)
	}
	run("notices-list.txt", &treatmentv1.ListNoticesRequest{Parent: "nurseries/test", ShowDone: true}, "list", "--done")
	run("notices-done.txt", &treatmentv1.RecordNoticeRequest{Name: "nurseries/test/notices/p-1-systemic-1-1-h1-signs-up", DoneTime: utc(2, 5), Note: "both doors"},
		"done", "p-1-systemic-1-1-h1-signs-up", "--at", "2026-03-02 07:00", "--note", "both doors")
}
