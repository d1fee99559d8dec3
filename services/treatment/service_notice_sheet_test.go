package treatment_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/page/pagetest"
	"velamen/internal/rpc/rpctest"
	"velamen/services/treatment"
	"velamen/services/treatment/notice"
)

const physicianSheet = treatmentv1.NoticeSheet_NOTICE_SHEET_PHYSICIAN

// printed returns a sheet as anybody of the nursery gets it, and its text without line
// breaks.
func (n *nursery) printed(sheet treatmentv1.NoticeSheet, application string) (*treatmentv1.ExportNoticeResponse, string) {
	n.t.Helper()
	made, err := n.treatment.ExportNotice(asWorker(), &treatmentv1.ExportNoticeRequest{Application: application, Sheet: sheet})
	require.NoError(n.t, err)
	require.Equal(n.t, "application/pdf", made.GetMediaType())
	require.Equal(n.t, treatment.Caution, made.GetCaution())
	text := strings.Join(strings.Fields(pagetest.Text(n.t, made.GetData())), " ")
	require.Contains(n.t, text, treatment.Caution)
	return made, text
}

func TestEverySheetOfAnApplicationIsPrintedFromWhatWasRecorded(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	c.now = day0.Add(24 * time.Hour)
	application := n.applyOutside(productsv1.Method_METHOD_SPRAY, c.now, lot, applied("thio", "10")).GetName()

	for sheet, parts := range map[treatmentv1.NoticeSheet][]string{
		treatmentv1.NoticeSheet_NOTICE_SHEET_ENTRANCE_SIGN: {"KEEP OUT / NO ENTRE", "House 1", "2026-03-03 09:00 SAST", "2026-03-03 22:00 SAST"},
		treatmentv1.NoticeSheet_NOTICE_SHEET_CENTRAL_DISPLAY: {
			"Phalaenopsis amabilis", "bench b1", "mesa b1", "12 h", "TEST-thio", "thiophanate-methyl", "MISSING / FALTA",
		},
		treatmentv1.NoticeSheet_NOTICE_SHEET_SPOKEN_WORDS:     {"House 1: keep out of", "House 1: no entre en", "to 2026-03-03 22:00 SAST"},
		treatmentv1.NoticeSheet_NOTICE_SHEET_WASHING_SUPPLIES: {"They stand ready until / Están listas hasta", "2026-04-02 22:00 SAST"},
		physicianSheet: {"thiophanate-methyl, 500 g/kg", "Read the label.", "Lea la etiqueta.", "recorded with the application"},
	} {
		made, text := n.printed(sheet, application)
		for _, part := range parts {
			require.Contains(t, text, part, sheet)
		}
		again, _ := n.printed(sheet, application)
		require.Equal(t, made.GetData(), again.GetData(), "the same facts give the same bytes")
	}
}

func TestAPhysicianGetsTheFirstAidOfTheLabelAndTheNumberOfTheDay(t *testing.T) {
	n, c := openNursery(t)
	lot := n.newLot()
	application := n.applyOutside(productsv1.Method_METHOD_BATH, c.now, lot, applied("thio", "10")).GetName()
	made, _ := n.printed(physicianSheet, application)
	require.Contains(t, made.GetMissing(), "thio: First aid, word for word as it was entered from the label")
	require.Contains(t, made.GetMissing(), "Telephone in an emergency")

	_, err := n.products.UpdateProduct(asManager(), &productsv1.UpdateProductRequest{RequestId: id(),
		Product: &productsv1.Product{
			Name: name("products/thio"), RegistrationNumber: "TEST-new", FirstAid: "If swallowed: call a doctor.", SafetyDataSheet: "SDS 7",
		},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"registration_number", "first_aid", "safety_data_sheet"}},
	})
	require.NoError(t, err)
	require.NoError(t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `UPDATE identity.nursery SET emergency_phone = '+27 11 555 0100', emergency_care = 'Bay Clinic' WHERE id = 'test'`)
		return err
	}))
	made, text := n.printed(physicianSheet, application)
	require.Empty(t, made.GetMissing())
	for _, part := range []string{"If swallowed: call a doctor.", "SDS 7", "TEST-thio", "+27 11 555 0100", "Bay Clinic"} {
		require.Contains(t, text, part)
	}
	require.NotContains(t, text, "TEST-new", "the number of the day stands")
}

func TestASheetOfWhatIsNotThereIsRefused(t *testing.T) {
	n, c := openNursery(t)
	application := n.applyOutside(productsv1.Method_METHOD_BATH, c.now, n.newLot(), applied("thio", "10")).GetName()
	ask := func(application, house string) error {
		_, err := n.treatment.ExportNotice(asWorker(), &treatmentv1.ExportNoticeRequest{Application: application, House: house, Sheet: physicianSheet})
		return err
	}
	require.NoError(t, ask(application, name("houses/h1")))
	rpctest.Refused(t, ask(application, name("houses/h2")), codes.InvalidArgument, fault.InvalidField)
	rpctest.Refused(t, ask(name("applications/none"), ""), codes.NotFound, fault.NotFoundReason)
	rpctest.Refused(t, ask("none", ""), codes.InvalidArgument, fault.InvalidField)
	_, err := n.treatment.ExportNotice(asWorker(), &treatmentv1.ExportNoticeRequest{Application: application})
	rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
}

func TestTheCautionOfTheSheetsIsThatOfEveryAnswer(t *testing.T) {
	laid, err := notice.Lay(notice.Physician, notice.Nursery{}, []notice.Treatment{{}})
	require.NoError(t, err)
	require.Contains(t, strings.Join(strings.Fields(pagetest.Text(t, laid.PDF)), " "), treatment.Caution)
}
