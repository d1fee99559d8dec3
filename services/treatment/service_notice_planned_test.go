package treatment_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/page/pagetest"
	"velamen/internal/rpc/rpctest"
)

// ofPlanned asks for a sheet about work that is planned for an hour.
func ofPlanned(sheet treatmentv1.NoticeSheet, planned *treatmentv1.ProposedApplication) *treatmentv1.ExportNoticeRequest {
	return &treatmentv1.ExportNoticeRequest{
		Parent: "nurseries/test", Sheet: sheet, Planned: planned, PlannedEndTime: timestamppb.New(planned.GetStartTime().AsTime().Add(time.Hour)),
	}
}

func (n *nursery) printedPlanned(request *treatmentv1.ExportNoticeRequest) (*treatmentv1.ExportNoticeResponse, string) {
	n.t.Helper()
	made, err := n.treatment.ExportNotice(asWorker(), request)
	require.NoError(n.t, err)
	require.Equal(n.t, "application/pdf", made.GetMediaType())
	return made, strings.Join(strings.Fields(pagetest.Text(n.t, made.GetData())), " ")
}

func TestEverySheetIsPrintedBeforeTheWorkFromWhatIsPlanned(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	c.now = day0
	planned := proposed(lot, "thio", "10", day0.Add(23*time.Hour))
	for sheet, parts := range map[treatmentv1.NoticeSheet][]string{
		treatmentv1.NoticeSheet_NOTICE_SHEET_ENTRANCE_SIGN:    {"KEEP OUT / NO ENTRE", "House 1", "2026-03-03 09:00 SAST", "2026-03-03 22:00 SAST"},
		treatmentv1.NoticeSheet_NOTICE_SHEET_CENTRAL_DISPLAY:  {"What is to be applied / Qué se va a aplicar", "Phalaenopsis amabilis", "bench b1", "mesa b1", "12 h", "TEST-thio", "thiophanate-methyl"},
		treatmentv1.NoticeSheet_NOTICE_SHEET_SPOKEN_WORDS:     {"House 1: keep out of", "House 1: no entre en", "to 2026-03-03 22:00 SAST"},
		treatmentv1.NoticeSheet_NOTICE_SHEET_WASHING_SUPPLIES: {"2026-04-02 22:00 SAST"},
		physicianSheet: {"thiophanate-methyl, 500 g/kg", "Nothing is recorded yet"},
	} {
		_, text := n.printedPlanned(ofPlanned(sheet, planned))
		for _, part := range append(parts, "Planned; times may change.", "Planificada; las horas pueden cambiar.") {
			require.Contains(t, text, part, sheet)
		}
	}
	answer, err := n.treatment.ListNotices(asWorker(), &treatmentv1.ListNoticesRequest{Parent: "nurseries/test", ShowDone: true})
	require.NoError(t, err)
	require.Empty(t, answer.GetNotices(), "printing records nothing")
}

func TestASheetOfPlannedWorkInventsNoInterval(t *testing.T) {
	n, _ := openGreenhouse(t)
	n.label("bare", "12", func(p *productsv1.Product) { p.Directions[0].RestrictedEntryInterval = nil })
	planned := proposed(n.newLot(), "bare", "10", day0.Add(time.Hour))
	made, text := n.printedPlanned(ofPlanned(treatmentv1.NoticeSheet_NOTICE_SHEET_ENTRANCE_SIGN, planned))
	require.Contains(t, made.GetMissing(), "the restricted-entry interval of bare")
	require.Contains(t, made.GetMissing(), "Closed until")
	require.Contains(t, text, "Keep out until you are told that it is open.")
}

func TestOnlyTheHouseAskedForIsPrintedOfPlannedWork(t *testing.T) {
	n, _ := openGreenhouse(t)
	n.label("half", "12")
	planned := proposed(n.newLot(), "half", "10", day0.Add(time.Hour))
	planned.Treatments = append(planned.Treatments, applied("half", "10")...)
	planned.Treatments[1].House = name("houses/g1")
	request := ofPlanned(treatmentv1.NoticeSheet_NOTICE_SHEET_SPOKEN_WORDS, planned)
	_, text := n.printedPlanned(request)
	require.Contains(t, text, "House 1: keep out")
	require.Contains(t, text, "House g1: keep out")
	request.House = name("houses/g1")
	_, text = n.printedPlanned(request)
	require.NotContains(t, text, "House 1: keep out")
	request.House = name("houses/o1")
	_, err := n.treatment.ExportNotice(asWorker(), request)
	message, _ := rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
	require.Contains(t, message, "the planned application treats nothing in house o1")
}

func TestASheetIsOfOneApplicationRecordedOrPlanned(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	recorded := n.applyOutside(productsv1.Method_METHOD_BATH, c.now, lot, applied("thio", "10")).GetName()
	refused := func(what string, change func(*treatmentv1.ExportNoticeRequest)) error {
		request := ofPlanned(physicianSheet, proposed(lot, "thio", "10", day0.Add(time.Hour)))
		change(request)
		_, err := n.treatment.ExportNotice(asWorker(), request)
		require.Error(t, err, what)
		return err
	}
	for _, test := range []struct {
		what, field string
		change      func(*treatmentv1.ExportNoticeRequest)
	}{
		{"both", "planned", func(r *treatmentv1.ExportNoticeRequest) { r.Application = recorded }},
		{"none", "application", func(r *treatmentv1.ExportNoticeRequest) { r.Planned, r.PlannedEndTime, r.Parent = nil, nil, "" }},
		{"an end of what is recorded", "planned_end_time", func(r *treatmentv1.ExportNoticeRequest) { r.Application, r.Planned, r.Parent = recorded, nil, "" }},
		{"a nursery of what is recorded", "parent", func(r *treatmentv1.ExportNoticeRequest) {
			r.Application, r.Planned, r.PlannedEndTime = recorded, nil, nil
		}},
		{"no nursery", "parent", func(r *treatmentv1.ExportNoticeRequest) { r.Parent = "" }},
		{"no end", "planned_end_time", func(r *treatmentv1.ExportNoticeRequest) { r.PlannedEndTime = nil }},
		{"an end before the start", "planned_end_time", func(r *treatmentv1.ExportNoticeRequest) { r.PlannedEndTime = timestamppb.New(day0) }},
		{"longer than a day", "planned_end_time", func(r *treatmentv1.ExportNoticeRequest) { r.PlannedEndTime = timestamppb.New(day0.Add(26 * time.Hour)) }},
		{"no such disorder", "planned.disorder", func(r *treatmentv1.ExportNoticeRequest) { r.Planned.Disorder = "none" }},
		{"no area", "planned.treatments[0].area", func(r *treatmentv1.ExportNoticeRequest) { r.Planned.Treatments[0].Area = q("0", "m2") }},
	} {
		rpctest.RefusedField(t, refused(test.what, test.change), test.field)
	}
	for what, change := range map[string]func(*treatmentv1.ProposedApplication){
		"house":   func(p *treatmentv1.ProposedApplication) { p.Treatments[0].House = name("houses/none") },
		"product": func(p *treatmentv1.ProposedApplication) { p.Treatments[0].Products[0].Product = name("products/none") },
		"lot":     func(p *treatmentv1.ProposedApplication) { p.Lots[0] = name("lots/none") },
	} {
		rpctest.Refused(t, refused(what, func(r *treatmentv1.ExportNoticeRequest) { change(r.GetPlanned()) }), codes.NotFound, fault.NotFoundReason)
	}
}
