package diagnosis_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
	"velamen/services/diagnosis"
	"velamen/services/diagnosis/knowledge"
	"velamen/services/stock"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// today is what the clock of these tests shows.
var today = time.Date(2026, 3, 10, 8, 0, 0, 0, time.UTC)

const (
	parent = "nurseries/test"
	lot    = parent + "/lots/l1"
	bench  = parent + "/houses/h1/benches/b1"
)

// nursery has one lot on one bench.
type nursery struct {
	db      *pgtest.Database
	outbox  *postgres.Outbox
	client  diagnosisv1.DiagnosisServiceClient
	stock   stockv1.StockServiceClient
	worker  context.Context
	manager context.Context
	photos  string
}

func newNursery(t *testing.T) *nursery {
	t.Helper()
	return newNurseryAt(t, clock.Fixed(today))
}

func newNurseryAt(t *testing.T, c clock.Clock) *nursery {
	t.Helper()
	n := &nursery{
		db: pgtest.NewAt(t, c), photos: filepath.Join(t.TempDir(), "photos"),
		worker: rpctest.As(context.Background(), rpctest.Worker), manager: rpctest.As(context.Background(), rpctest.Manager),
	}
	pgtest.AddNursery(t, n.db)
	n.outbox = postgres.NewOutbox(n.db.DB, slog.New(slog.DiscardHandler), stock.Consumer(), postgres.Consumer{
		Name: "planners", Topics: []string{diagnosis.TopicClimateImported, diagnosis.TopicInspected},
		Send: func(context.Context, postgres.Event) error { return nil },
	})
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		stockv1.RegisterStockServiceServer(server, stock.New(n.db.DB))
		diagnosisv1.RegisterDiagnosisServiceServer(server, diagnosis.New(n.db.DB, n.photos, n.outbox))
	})
	n.client = diagnosisv1.NewDiagnosisServiceClient(conn)
	n.stock = stockv1.NewStockServiceClient(conn)
	plants := n.stock
	square := func(amount string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: "m2"} }
	_, err := plants.CreateHouse(n.manager, &stockv1.CreateHouseRequest{Parent: parent, HouseId: "h1", RequestId: uuid.NewString(),
		House: &stockv1.House{DisplayName: "House 1", Area: square("100")}})
	require.NoError(t, err)
	_, err = plants.CreateBench(n.manager, &stockv1.CreateBenchRequest{Parent: parent + "/houses/h1", BenchId: "b1", RequestId: uuid.NewString(),
		Bench: &stockv1.Bench{DisplayName: "Bench 1", Area: square("10")}})
	require.NoError(t, err)
	_, err = plants.CreateLot(n.manager, &stockv1.CreateLotRequest{Parent: parent, LotId: "l1", RequestId: uuid.NewString(), Plants: 120,
		Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, Lot: &stockv1.Lot{BotanicalName: "Phalaenopsis amabilis", Bench: bench}})
	require.NoError(t, err)
	return n
}

// inspection is a request that passes.
func inspection() *diagnosisv1.CreateInspectionRequest {
	return &diagnosisv1.CreateInspectionRequest{
		Parent: parent, RequestId: uuid.NewString(),
		Inspection: &diagnosisv1.Inspection{
			Target: lot, PlantsSampled: 40, PlantsAffected: 3, SeverityPercent: 20, Note: "south side",
			Observations: []*diagnosisv1.Observation{
				{Organ: diagnosisv1.Organ_ORGAN_CROWN, Sign: "black-advancing-rot", Presence: diagnosisv1.Presence_PRESENCE_OBSERVED, Note: "from the base"},
				{Organ: diagnosisv1.Organ_ORGAN_CROWN, Sign: "foul-smell", Presence: diagnosisv1.Presence_PRESENCE_ABSENT},
			},
		},
	}
}

func (n *nursery) inspect(t *testing.T) *diagnosisv1.Inspection {
	t.Helper()
	seen, err := n.client.CreateInspection(n.worker, inspection())
	require.NoError(t, err)
	return seen
}

func (n *nursery) count(t *testing.T, table string) (rows int) {
	t.Helper()
	require.NoError(t, n.db.QueryRow(context.Background(), "SELECT count(*) FROM "+table).Scan(&rows))
	return rows
}

func TestInspectionIsKeptAsItWasSeen(t *testing.T) {
	n := newNursery(t)
	request := inspection()
	seen, err := n.client.CreateInspection(n.worker, request)
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/people/wandile", seen.GetInspector())
	require.Equal(t, today, seen.GetInspectTime().AsTime(), "now when nobody says")

	read, err := n.client.GetInspection(n.worker, &diagnosisv1.GetInspectionRequest{Name: seen.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(seen, read), "%v\n%v", seen, read)
	require.Len(t, read.GetObservations(), 2)
	require.Equal(t, diagnosisv1.Presence_PRESENCE_ABSENT, read.GetObservations()[1].GetPresence())

	again, err := n.client.CreateInspection(n.worker, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(seen, again), "a retry returns the first answer")
	require.Equal(t, 1, n.count(t, "diagnosis.inspection"))

	onBench := inspection()
	onBench.Inspection.Target = bench
	onBench.Inspection.InspectTime = timestamppb.New(today.Add(-time.Hour))
	seen, err = n.client.CreateInspection(n.worker, onBench)
	require.NoError(t, err)
	require.Equal(t, bench, seen.GetTarget())
	require.Equal(t, today.Add(-time.Hour), seen.GetInspectTime().AsTime())
}

func TestInspectionIsRefused(t *testing.T) {
	n := newNursery(t)
	for _, test := range []struct {
		name   string
		spoil  func(*diagnosisv1.Inspection)
		code   codes.Code
		reason fault.Reason
		field  string
	}{
		{"no such lot", func(i *diagnosisv1.Inspection) { i.Target = parent + "/lots/l9" }, codes.NotFound, fault.NotFoundReason, ""},
		{"no such bench", func(i *diagnosisv1.Inspection) { i.Target = parent + "/houses/h1/benches/b9" }, codes.NotFound, fault.NotFoundReason, ""},
		{"a house", func(i *diagnosisv1.Inspection) { i.Target = parent + "/houses/h1" }, codes.InvalidArgument, fault.InvalidField, "inspection.target"},
		{"another nursery's lot", func(i *diagnosisv1.Inspection) { i.Target = "nurseries/other/lots/l1" }, codes.PermissionDenied, fault.PermissionDenied, ""},
		{"more affected than sampled", func(i *diagnosisv1.Inspection) { i.PlantsAffected = 41 }, codes.InvalidArgument, fault.InvalidField, "inspection"},
		{"more sampled than the lot has", func(i *diagnosisv1.Inspection) { i.PlantsSampled = 121 }, codes.InvalidArgument, fault.InvalidField, "inspection.plants_sampled"},
		{"nothing sampled", func(i *diagnosisv1.Inspection) { i.PlantsSampled, i.PlantsAffected = 0, 0 }, codes.InvalidArgument, fault.InvalidField, "inspection.plants_sampled"},
		{"more than all of it", func(i *diagnosisv1.Inspection) { i.SeverityPercent = 101 }, codes.InvalidArgument, fault.InvalidField, "inspection.severity_percent"},
		{"unknown sign", func(i *diagnosisv1.Inspection) { i.Observations[1].Sign = "bad-luck" }, codes.InvalidArgument, fault.InvalidField, "inspection.observations[1].sign"},
		{"a sign on the wrong organ", func(i *diagnosisv1.Inspection) { i.Observations[0].Organ = diagnosisv1.Organ_ORGAN_FLOWER }, codes.InvalidArgument, fault.InvalidField, "inspection.observations[0].organ"},
		{"no organ", func(i *diagnosisv1.Inspection) { i.Observations[0].Organ = 0 }, codes.InvalidArgument, fault.InvalidField, "inspection.observations[0].organ"},
		{"neither seen nor absent", func(i *diagnosisv1.Inspection) { i.Observations[0].Presence = 0 }, codes.InvalidArgument, fault.InvalidField, "inspection.observations[0].presence"},
		{"the same said twice", func(i *diagnosisv1.Inspection) { i.Observations[1].Sign = i.GetObservations()[0].GetSign() }, codes.InvalidArgument, fault.InvalidField, "inspection.observations[1]"},
		{"tomorrow", func(i *diagnosisv1.Inspection) { i.InspectTime = timestamppb.New(today.Add(24 * time.Hour)) }, codes.InvalidArgument, fault.InvalidTimes, "inspection.inspect_time"},
		{"no time at all", func(i *diagnosisv1.Inspection) { i.InspectTime = &timestamppb.Timestamp{Seconds: 1 << 60} }, codes.InvalidArgument, fault.InvalidField, "inspection.inspect_time"},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := inspection()
			test.spoil(request.GetInspection())
			_, err := n.client.CreateInspection(n.worker, request)
			rpctest.Refused(t, err, test.code, test.reason)
			if test.field != "" {
				rpctest.RefusedField(t, err, test.field)
			}
			require.Zero(t, n.count(t, "diagnosis.inspection"))
			require.Zero(t, n.count(t, "diagnosis.observation"))
		})
	}
	_, err := n.client.CreateInspection(rpctest.As(context.Background(), rpctest.Auditor), inspection())
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestInspectionsAreListedNewestFirst(t *testing.T) {
	n := newNursery(t)
	var all, ofBench []string
	for i := range 5 {
		request := inspection()
		// Two share a moment: the listing must not lose one between pages.
		request.Inspection.InspectTime = timestamppb.New(today.Add(-time.Duration(i/2) * time.Hour))
		if i%2 == 1 {
			request.Inspection.Target = bench
		}
		seen, err := n.client.CreateInspection(n.worker, request)
		require.NoError(t, err)
		all = append(all, seen.GetName())
		if i%2 == 1 {
			ofBench = append(ofBench, seen.GetName())
		}
	}
	list := func(target string) (names []string) {
		request := &diagnosisv1.ListInspectionsRequest{Parent: parent, Target: target, PageSize: 1}
		last := today.Add(time.Hour)
		for {
			page, err := n.client.ListInspections(n.worker, request)
			require.NoError(t, err)
			for _, seen := range page.GetInspections() {
				require.False(t, seen.GetInspectTime().AsTime().After(last))
				last = seen.GetInspectTime().AsTime()
				names = append(names, seen.GetName())
			}
			if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
				return names
			}
		}
	}
	require.ElementsMatch(t, all, list(""))
	require.Equal(t, ofBench, list(bench))

	page, err := n.client.ListInspections(n.worker, &diagnosisv1.ListInspectionsRequest{Parent: parent, PageSize: 1})
	require.NoError(t, err)
	_, err = n.client.ListInspections(n.worker, &diagnosisv1.ListInspectionsRequest{Parent: parent, Target: lot, PageToken: page.GetNextPageToken()})
	rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidPageToken)
	_, err = n.client.ListInspections(n.worker, &diagnosisv1.ListInspectionsRequest{Parent: parent, Target: "anywhere"})
	rpctest.RefusedField(t, err, "target")
}

func picture(t *testing.T, encode func(io.Writer, image.Image) error) []byte {
	t.Helper()
	var body bytes.Buffer
	require.NoError(t, encode(&body, image.NewRGBA(image.Rect(0, 0, 300, 200))))
	return body.Bytes()
}

func asJPEG(w io.Writer, m image.Image) error { return jpeg.Encode(w, m, nil) }

// asWebP writes a WebP file of its own: nothing here encodes one.
func asWebP(w io.Writer, _ image.Image) error {
	body, err := os.ReadFile("picture/testdata/lossy.webp")
	if err == nil {
		_, err = w.Write(body)
	}
	return err
}

// upload sends bytes in pieces.
func (n *nursery) upload(inspection string, body []byte, piece int) (*diagnosisv1.Photo, error) {
	stream, err := n.client.UploadPhoto(n.worker)
	if err != nil {
		return nil, err
	}
	request := &diagnosisv1.UploadPhotoRequest{Parent: inspection}
	for {
		size := min(piece, len(body))
		request.Data, body = body[:size], body[size:]
		// The server may have refused already; the answer says so.
		if err := stream.Send(request); err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		if len(body) == 0 {
			return stream.CloseAndRecv()
		}
		request = &diagnosisv1.UploadPhotoRequest{}
	}
}

func (n *nursery) download(name string) ([]byte, error) {
	return n.fetch(&diagnosisv1.DownloadPhotoRequest{Name: name})
}

func (n *nursery) fetch(request *diagnosisv1.DownloadPhotoRequest) ([]byte, error) {
	stream, err := n.client.DownloadPhoto(n.worker, request)
	if err != nil {
		return nil, err
	}
	var body []byte
	for {
		next, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return body, nil
		}
		if err != nil {
			return body, err
		}
		body = append(body, next.GetData()...)
	}
}

// files lists the names of all files under the photo folder.
func (n *nursery) files(t *testing.T) (names []string) {
	t.Helper()
	err := filepath.WalkDir(n.photos, func(path string, entry os.DirEntry, err error) error {
		if err == nil && !entry.IsDir() {
			relative, _ := filepath.Rel(n.photos, path)
			names = append(names, relative)
		}
		return err
	})
	if !errors.Is(err, os.ErrNotExist) {
		require.NoError(t, err)
	}
	return names
}

func TestAPhotoComesBackAsItWent(t *testing.T) {
	n := newNursery(t)
	seen := n.inspect(t)
	for _, test := range []struct {
		mediaType string
		encode    func(io.Writer, image.Image) error
	}{{"image/jpeg", asJPEG}, {"image/png", png.Encode}, {"image/webp", asWebP}} {
		t.Run(test.mediaType, func(t *testing.T) {
			body := picture(t, test.encode)
			sum := sha256.Sum256(body)
			kept, err := n.upload(seen.GetName(), body, 100)
			require.NoError(t, err)
			require.Equal(t, seen.GetName()+"/photos/"+hex.EncodeToString(sum[:]), kept.GetName())
			require.Equal(t, test.mediaType, kept.GetMediaType())
			require.EqualValues(t, len(body), kept.GetSizeBytes())
			back, err := n.download(kept.GetName())
			require.NoError(t, err)
			require.Equal(t, body, back)
		})
	}
	read, err := n.client.GetInspection(n.worker, &diagnosisv1.GetInspectionRequest{Name: seen.GetName()})
	require.NoError(t, err)
	require.Len(t, read.GetPhotos(), 3)
	require.Len(t, n.files(t), 6, "each with its thumbnail, and nothing half-written")
}

func TestTheSameBytesAreTheSamePhoto(t *testing.T) {
	n := newNursery(t)
	first, second := n.inspect(t), n.inspect(t)
	body := picture(t, png.Encode)
	one, err := n.upload(first.GetName(), body, 1<<20)
	require.NoError(t, err)
	again, err := n.upload(first.GetName(), body, 7)
	require.NoError(t, err)
	require.True(t, proto.Equal(one, again))
	other, err := n.upload(second.GetName(), body, 1<<20)
	require.NoError(t, err)
	require.NotEqual(t, one.GetName(), other.GetName())
	require.Equal(t, 2, n.count(t, "diagnosis.photo"))
	sum := sha256.Sum256(body)
	sha := hex.EncodeToString(sum[:])
	require.Equal(t, []string{filepath.Join("test", sha[:2], sha), filepath.Join("test", sha[:2], sha+".thumbnail")}, n.files(t))
}

func TestPhotosAreRefused(t *testing.T) {
	n := newNursery(t)
	seen := n.inspect(t)
	huge := make([]byte, 20<<20+1)
	copy(huge, picture(t, png.Encode))
	whole := picture(t, asJPEG)
	for _, test := range []struct {
		name, parent string
		body         []byte
		field        string
	}{
		{"no image", seen.GetName(), []byte("<html><script>alert(1)</script>"), "data"},
		{"an image that browsers may not show", seen.GetName(), []byte("II*\x00 a TIFF"), "data"},
		{"nothing", seen.GetName(), nil, "data"},
		{"too large", seen.GetName(), huge, "data"},
		{"cut off", seen.GetName(), whole[:len(whole)/2], "data"},
		{"an archive behind a picture", seen.GetName(), append(bytes.Clone(whole), "PK\x03\x04"...), "data"},
		{"a photo bomb", seen.GetName(), bomb(t), "data"},
		{"no inspection named", "", picture(t, png.Encode), "parent"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := n.upload(test.parent, test.body, 1<<20)
			rpctest.RefusedField(t, err, test.field)
			require.Empty(t, n.files(t))
			require.Zero(t, n.count(t, "diagnosis.photo"))
		})
	}
	_, err := n.upload(parent+"/inspections/none", picture(t, png.Encode), 1<<20)
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = n.upload("nurseries/other/inspections/none", picture(t, png.Encode), 1<<20)
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	require.Empty(t, n.files(t))

	t.Run("two inspections in one stream", func(t *testing.T) {
		stream, err := n.client.UploadPhoto(n.worker)
		require.NoError(t, err)
		for range 2 {
			_ = stream.Send(&diagnosisv1.UploadPhotoRequest{Parent: seen.GetName(), Data: []byte{1}})
		}
		_, err = stream.CloseAndRecv()
		rpctest.RefusedField(t, err, "parent")
		require.Empty(t, n.files(t))
	})
}

// bomb is a PNG of a few kilobytes that unfolds to 49 million pixels.
func bomb(t *testing.T) []byte {
	t.Helper()
	var body bytes.Buffer
	require.NoError(t, (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&body, image.NewPaletted(image.Rect(0, 0, 7000, 7000), color.Palette{color.Black})))
	require.Less(t, body.Len(), 100_000)
	return body.Bytes()
}

func TestAPhotoBombIsNamed(t *testing.T) {
	n := newNursery(t)
	_, err := n.upload(n.inspect(t).GetName(), bomb(t), 1<<20)
	message, values := rpctest.Refused(t, err, codes.InvalidArgument, fault.InvalidField)
	require.Contains(t, message, "no photo has more than 200 pixels in a byte")
	require.Equal(t, "49000000", values["pixels"])
}

func TestALargestPhotoFits(t *testing.T) {
	n := newNursery(t)
	seen := n.inspect(t)
	body := make([]byte, 20<<20)
	alone := picture(t, png.Encode)
	copy(body, alone)
	kept, err := n.upload(seen.GetName(), body, 1<<20)
	require.NoError(t, err)
	back, err := n.download(kept.GetName())
	require.NoError(t, err)
	require.Equal(t, alone, back, "what hangs behind the picture goes")
}

// taken is a JPEG as a camera writes it: held upright, with where it was taken.
func taken(t *testing.T) []byte {
	t.Helper()
	exif := append([]byte("Exif\x00\x00"), "II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00\x06\x00\x00\x00\x00\x00\x00\x00 25.7461 S 28.1881 E"...)
	whole := picture(t, asJPEG)
	return slices.Concat(whole[:2], []byte{0xFF, 0xE1, 0, byte(len(exif) + 2)}, exif, whole[2:])
}

// Where a photo was taken is nobody's business; how it was held is kept.
func TestAPhotoIsKeptWithoutItsPlace(t *testing.T) {
	n := newNursery(t)
	seen := n.inspect(t)
	kept, err := n.upload(seen.GetName(), taken(t), 100)
	require.NoError(t, err)
	require.EqualValues(t, []int32{200, 300}, []int32{kept.GetWidth(), kept.GetHeight()}, "as it is shown")
	back, err := n.download(kept.GetName())
	require.NoError(t, err)
	require.NotContains(t, string(back), "25.7461")
	require.EqualValues(t, len(back), kept.GetSizeBytes())
	sum := sha256.Sum256(back)
	require.Equal(t, hex.EncodeToString(sum[:]), filepath.Base(kept.GetName()), "the hash is that of what is kept")
	again, err := n.upload(seen.GetName(), taken(t), 1<<20)
	require.NoError(t, err)
	require.True(t, proto.Equal(kept, again), "the same photo, though the bytes that were sent are other ones")
	once, err := n.upload(seen.GetName(), back, 1<<20)
	require.NoError(t, err)
	require.True(t, proto.Equal(kept, once), "what was downloaded is the same photo")
}

func TestAThumbnailIsServedAndMadeAnew(t *testing.T) {
	n := newNursery(t)
	kept, err := n.upload(n.inspect(t).GetName(), taken(t), 1<<20)
	require.NoError(t, err)
	request := &diagnosisv1.DownloadPhotoRequest{Name: kept.GetName(), Thumbnail: true}
	first, err := n.fetch(request)
	require.NoError(t, err)
	size, err := jpeg.DecodeConfig(bytes.NewReader(first))
	require.NoError(t, err)
	require.Equal(t, []int{200, 300}, []int{size.Width, size.Height}, "upright")

	sha := filepath.Base(kept.GetName())
	path := filepath.Join(n.photos, "test", sha[:2], sha+".thumbnail")
	for name, spoil := range map[string]func() error{
		"missing": func() error { return os.Remove(path) }, "damaged": func() error { return os.WriteFile(path, []byte("not it"), 0o600) },
	} {
		require.NoError(t, spoil())
		again, err := n.fetch(request)
		require.NoError(t, err, name)
		require.Equal(t, first, again, name)
		require.FileExists(t, path)
	}
	_, err = n.fetch(&diagnosisv1.DownloadPhotoRequest{Name: filepath.Dir(kept.GetName()) + "/" + hex.EncodeToString(make([]byte, 32)), Thumbnail: true})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

// Photos from before they were looked into stay as they are: small where they are
// pictures, and refused by name where they are none.
func TestPhotosFromBeforeTheyWereStripped(t *testing.T) {
	n := newNursery(t)
	seen := n.inspect(t)
	keep := func(body []byte) string {
		sum := sha256.Sum256(body)
		sha := hex.EncodeToString(sum[:])
		require.NoError(t, os.MkdirAll(filepath.Join(n.photos, "test", sha[:2]), 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(n.photos, "test", sha[:2], sha), body, 0o600))
		require.NoError(t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
			_, err := tx.Exec(context.Background(), `
				INSERT INTO diagnosis.photo (nursery, inspection, sha256, media_type, size_bytes, uploader, create_time)
				VALUES ('test', $1, $2, 'image/jpeg', $3, 'wandile', now())`, filepath.Base(seen.GetName()), sha, len(body))
			return err
		}))
		return seen.GetName() + "/photos/" + sha
	}
	old := keep(taken(t))
	back, err := n.download(old)
	require.NoError(t, err)
	require.Equal(t, taken(t), back)
	small, err := n.fetch(&diagnosisv1.DownloadPhotoRequest{Name: old, Thumbnail: true})
	require.NoError(t, err)
	size, err := jpeg.DecodeConfig(bytes.NewReader(small))
	require.NoError(t, err)
	require.Equal(t, []int{200, 300}, []int{size.Width, size.Height})

	none := keep([]byte("\xff\xd8\xff begins like one"))
	_, err = n.fetch(&diagnosisv1.DownloadPhotoRequest{Name: none, Thumbnail: true})
	rpctest.RefusedField(t, err, "thumbnail")
	read, err := n.client.GetInspection(n.worker, &diagnosisv1.GetInspectionRequest{Name: seen.GetName()})
	require.NoError(t, err)
	require.Len(t, read.GetPhotos(), 2)
	require.Zero(t, read.GetPhotos()[0].GetWidth())
}

// A broken upload may leave a file behind; it does not stay for ever.
func TestFilesOfBrokenUploadsAreRemovedAfterADay(t *testing.T) {
	n := newNursery(t)
	seen := n.inspect(t)
	folder := filepath.Join(n.photos, "test")
	require.NoError(t, os.MkdirAll(folder, 0o700))
	old, fresh := filepath.Join(folder, ".arriving-1"), filepath.Join(folder, ".arriving-2")
	for path, age := range map[string]time.Duration{old: 25 * time.Hour, fresh: 23 * time.Hour} {
		require.NoError(t, os.WriteFile(path, []byte("half"), 0o600))
		require.NoError(t, os.Chtimes(path, today.Add(-age), today.Add(-age)))
	}
	_, err := n.upload(seen.GetName(), picture(t, png.Encode), 1<<20)
	require.NoError(t, err)
	require.NoFileExists(t, old)
	require.FileExists(t, fresh)
}

func TestALostFileIsNamed(t *testing.T) {
	for _, test := range []struct {
		name  string
		spoil func(path string) error
	}{
		{"missing", os.Remove},
		{"damaged", func(path string) error { return os.WriteFile(path, []byte("not it"), 0o600) }},
	} {
		t.Run(test.name, func(t *testing.T) {
			n := newNursery(t)
			seen := n.inspect(t)
			body := picture(t, png.Encode)
			kept, err := n.upload(seen.GetName(), body, 1<<20)
			require.NoError(t, err)
			require.NoError(t, test.spoil(filepath.Join(n.photos, n.files(t)[0])))

			got, err := n.download(kept.GetName())
			message, values := rpctest.Refused(t, err, codes.Unavailable, fault.StoreUnavailable)
			require.Contains(t, message, kept.GetName())
			require.Equal(t, kept.GetName(), values["name"])
			require.Empty(t, got, "not a byte of a damaged photo leaves")

			again, err := n.upload(seen.GetName(), body, 1<<20)
			require.NoError(t, err)
			require.True(t, proto.Equal(kept, again))
			got, err = n.download(kept.GetName())
			require.NoError(t, err, "uploading it again mends it")
			require.Equal(t, body, got)
		})
	}
}

func TestADamagedFolderIsReported(t *testing.T) {
	n := newNursery(t)
	seen := n.inspect(t)
	require.NoError(t, os.WriteFile(n.photos, nil, 0o600))
	_, err := n.upload(seen.GetName(), picture(t, png.Encode), 1<<20)
	rpctest.Refused(t, err, codes.Unavailable, fault.StoreUnavailable)
	require.Zero(t, n.count(t, "diagnosis.photo"))
}

func TestDownloadOfAnUnknownPhoto(t *testing.T) {
	n := newNursery(t)
	seen := n.inspect(t)
	for _, test := range []struct {
		name, photo string
		code        codes.Code
		reason      fault.Reason
	}{
		{"never uploaded", seen.GetName() + "/photos/" + hex.EncodeToString(make([]byte, 32)), codes.NotFound, fault.NotFoundReason},
		{"a path out of the folder", seen.GetName() + "/photos/..", codes.InvalidArgument, fault.InvalidField},
		{"another nursery's", "nurseries/other/inspections/i/photos/a", codes.PermissionDenied, fault.PermissionDenied},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := n.download(test.photo)
			rpctest.Refused(t, err, test.code, test.reason)
		})
	}
}

func TestCheckPhotos(t *testing.T) {
	n := newNursery(t)
	ctx := context.Background()
	kept, err := n.upload(n.inspect(t).GetName(), picture(t, png.Encode), 1<<20)
	require.NoError(t, err)
	require.NoError(t, diagnosis.CheckPhotos(ctx, n.db, "test", nil))
	require.NoError(t, diagnosis.CheckPhotos(ctx, n.db, "test", []string{kept.GetName()}))
	for _, names := range [][]string{
		{kept.GetName(), parent + "/inspections/i/photos/a"}, {"a photo"}, {"nurseries/other/inspections/i/photos/a"},
	} {
		f, ok := fault.As(diagnosis.CheckPhotos(ctx, n.db, "test", names))
		require.True(t, ok)
		require.Equal(t, "photos", f.Field)
		require.Equal(t, fault.Invalid, f.Kind)
	}
	require.Error(t, diagnosis.CheckPhotos(ctx, n.db, "other", []string{kept.GetName()}))
}

func confirmation(inspections ...string) *diagnosisv1.ConfirmDiagnosisRequest {
	return &diagnosisv1.ConfirmDiagnosisRequest{
		Parent: parent, RequestId: uuid.NewString(),
		Diagnosis: &diagnosisv1.Diagnosis{Inspections: inspections, Disorder: "black-rot", Grounds: "Lateral-flow strip positive for Phytophthora."},
	}
}

func TestADiagnosisIsANamedPersonsOwn(t *testing.T) {
	n := newNursery(t)
	first, second := n.inspect(t), n.inspect(t)
	request := confirmation(second.GetName(), first.GetName())
	request.Diagnosis.Confirmer = "nurseries/test/people/olwen"
	request.Diagnosis.DisorderClass = diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS
	held, err := n.client.ConfirmDiagnosis(n.manager, request)
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/people/mira", held.GetConfirmer(), "whatever the request says")
	require.Equal(t, diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE, held.GetDisorderClass())
	require.Equal(t, today, held.GetConfirmTime().AsTime())
	require.Equal(t, []string{second.GetName(), first.GetName()}, held.GetInspections())

	read, err := n.client.GetDiagnosis(n.worker, &diagnosisv1.GetDiagnosisRequest{Name: held.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(held, read), "%v\n%v", held, read)
	again, err := n.client.ConfirmDiagnosis(n.manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(held, again))

	exported, err := diagnosis.ReadDiagnosis(context.Background(), n.db, "test", filepath.Base(held.GetName()))
	require.NoError(t, err)
	require.Equal(t, "black-rot", exported.Disorder)
	require.Equal(t, held.GetConfirmer(), exported.Confirmer)
	_, err = diagnosis.ReadDiagnosis(context.Background(), n.db, "test", "none")
	require.True(t, fault.Is(err, fault.NotFoundReason), err)
}

func TestADiagnosisIsRefused(t *testing.T) {
	n := newNursery(t)
	seen := n.inspect(t)
	for _, test := range []struct {
		name   string
		spoil  func(*diagnosisv1.Diagnosis)
		code   codes.Code
		reason fault.Reason
		field  string
	}{
		{"unknown disorder", func(d *diagnosisv1.Diagnosis) { d.Disorder = "bad-luck" }, codes.InvalidArgument, fault.InvalidField, "diagnosis.disorder"},
		{"no grounds", func(d *diagnosisv1.Diagnosis) { d.Grounds = "" }, codes.InvalidArgument, fault.InvalidField, "diagnosis.grounds"},
		{"no inspection", func(d *diagnosisv1.Diagnosis) { d.Inspections = nil }, codes.InvalidArgument, fault.InvalidField, "diagnosis.inspections"},
		{"an unknown inspection", func(d *diagnosisv1.Diagnosis) { d.Inspections = append(d.Inspections, parent+"/inspections/none") }, codes.NotFound, fault.NotFoundReason, ""},
		{"no inspection's name", func(d *diagnosisv1.Diagnosis) { d.Inspections = append(d.Inspections, lot) }, codes.InvalidArgument, fault.InvalidField, "diagnosis.inspections[1]"},
		{"another nursery's inspection", func(d *diagnosisv1.Diagnosis) { d.Inspections = []string{"nurseries/other/inspections/i"} }, codes.PermissionDenied, fault.PermissionDenied, ""},
		{"tomorrow", func(d *diagnosisv1.Diagnosis) { d.ConfirmTime = timestamppb.New(today.Add(24 * time.Hour)) }, codes.InvalidArgument, fault.InvalidTimes, "diagnosis.confirm_time"},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := confirmation(seen.GetName())
			test.spoil(request.GetDiagnosis())
			_, err := n.client.ConfirmDiagnosis(n.manager, request)
			rpctest.Refused(t, err, test.code, test.reason)
			if test.field != "" {
				rpctest.RefusedField(t, err, test.field)
			}
			require.Zero(t, n.count(t, "diagnosis.diagnosis"))
		})
	}
	_, err := n.client.ConfirmDiagnosis(n.worker, confirmation(seen.GetName()))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestDiagnosesAreListedNewestFirst(t *testing.T) {
	n := newNursery(t)
	yesterday := inspection()
	yesterday.Inspection.InspectTime = timestamppb.New(today.Add(-24 * time.Hour))
	seen, err := n.client.CreateInspection(n.worker, yesterday)
	require.NoError(t, err)
	var want []string
	for i := range 3 {
		request := confirmation(seen.GetName())
		request.Diagnosis.ConfirmTime = timestamppb.New(today.Add(-time.Duration(i) * time.Hour))
		held, err := n.client.ConfirmDiagnosis(n.manager, request)
		require.NoError(t, err)
		want = append(want, held.GetName())
	}
	var got []string
	request := &diagnosisv1.ListDiagnosesRequest{Parent: parent, PageSize: 2}
	for {
		page, err := n.client.ListDiagnoses(n.worker, request)
		require.NoError(t, err)
		for _, held := range page.GetDiagnoses() {
			got = append(got, held.GetName())
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, want, got)
}

func TestTheVocabularyIsServed(t *testing.T) {
	n := newNursery(t)
	signs, err := n.client.ListSigns(n.worker, &diagnosisv1.ListSignsRequest{})
	require.NoError(t, err)
	require.Len(t, signs.GetSigns(), len(knowledge.Shipped().Signs))
	disorders, err := n.client.ListDisorders(n.worker, &diagnosisv1.ListDisordersRequest{})
	require.NoError(t, err)
	require.Len(t, disorders.GetDisorders(), len(knowledge.Shipped().Disorders))
	for _, disorder := range disorders.GetDisorders() {
		require.NotEmpty(t, disorder.GetSource(), fmt.Sprint(disorder))
	}
}

// Nothing that was seen or concluded is ever changed, whatever the code asks.
func TestTheServiceCannotChangeWhatWasSeen(t *testing.T) {
	n := newNursery(t)
	n.inspect(t)
	for _, table := range []string{
		"inspection", "observation", "photo", "diagnosis", "ground", "ground_sample", "sample", "duty", "duty_lot", "duty_inspection", "diagnosis_duty",
	} {
		for _, verb := range []string{"UPDATE diagnosis." + table + " SET nursery = nursery", "DELETE FROM diagnosis." + table, "TRUNCATE diagnosis." + table} {
			rows, err := n.db.Query(context.Background(), verb)
			require.NoError(t, err)
			rows.Close()
			require.ErrorContains(t, rows.Err(), "permission denied", verb)
		}
	}
}

// A count that contradicts the signs would rank a lot as sick and sample it as clean.
func TestASignOfSicknessNeedsASickPlant(t *testing.T) {
	n := newNursery(t)
	inspection := func(affected int64, o ...*diagnosisv1.Observation) error {
		_, err := n.client.CreateInspection(n.worker, &diagnosisv1.CreateInspectionRequest{
			Parent: parent, RequestId: uuid.NewString(),
			Inspection: &diagnosisv1.Inspection{Target: lot, PlantsSampled: 10, PlantsAffected: affected, Observations: o},
		})
		return err
	}
	rpctest.RefusedField(t, inspection(0, seen(leaf, "mosaic")), "inspection.plants_affected")
	require.NoError(t, inspection(1, seen(leaf, "mosaic")))
	require.NoError(t, inspection(0, absent(leaf, "mosaic")), "looked for and not there")
	require.NoError(t, inspection(0, seen(diagnosisv1.Organ_ORGAN_BENCH, "after-cold")), "what happened before makes no plant sick by itself")
}

func TestAConclusionNeverComesBeforeWhatItRestsOn(t *testing.T) {
	n := newNursery(t)
	inspected := n.inspect(t)
	early := timestamppb.New(inspected.GetInspectTime().AsTime().Add(-time.Minute))
	request := confirmation(inspected.GetName())
	request.Diagnosis.ConfirmTime = early
	_, err := n.client.ConfirmDiagnosis(n.manager, request)
	rpctest.RefusedField(t, err, "diagnosis.confirm_time")
	_, err = n.client.CreateSample(n.worker, &diagnosisv1.CreateSampleRequest{
		Parent: parent, RequestId: uuid.NewString(),
		Sample: &diagnosisv1.Sample{Inspection: inspected.GetName(), Test: "oomycete-strip", Plants: 1, Laboratory: "ours", SendTime: early},
	})
	rpctest.RefusedField(t, err, "sample.send_time")
}

func TestAPlantThatNobodyKnowsMayBeAHost(t *testing.T) {
	require.NotEmpty(t, diagnosis.RegulatedPestsFor("chrysanthemum-white-rust", "Chrysanthemum", "US"))
	require.NotEmpty(t, diagnosis.RegulatedPestsFor("chrysanthemum-white-rust", "Gardenmum", "US"), "it may be one by another name")
	require.Empty(t, diagnosis.RegulatedPestsFor("chrysanthemum-white-rust", "Rosa", "US"))
	require.Empty(t, diagnosis.RegulatedPestsFor("chrysanthemum-white-rust", "rosa canina", "US"))
	require.NotEmpty(t, diagnosis.RegulatedPestsFor("chrysanthemum-white-rust", "Garden mum", "US"))
}

// A photo belongs to the observation that it shows, where somebody says which.
func TestAPhotoShowsObservations(t *testing.T) {
	n := newNursery(t)
	request := inspection()
	request.Inspection.PlantsAffected = 1
	request.Inspection.Observations = []*diagnosisv1.Observation{seen(leaf, "mosaic"), seen(leaf, "ring-pattern"), absent(leaf, "slimy")}
	inspected, err := n.client.CreateInspection(n.worker, request)
	require.NoError(t, err)
	send := func(shows ...*diagnosisv1.PhotoSign) (*diagnosisv1.Photo, error) {
		stream, err := n.client.UploadPhoto(n.worker)
		require.NoError(t, err)
		if err := stream.Send(&diagnosisv1.UploadPhotoRequest{Parent: inspected.GetName(), Data: picture(t, png.Encode), Shows: shows}); err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		return stream.CloseAndRecv()
	}
	of := func(sign string) *diagnosisv1.PhotoSign { return &diagnosisv1.PhotoSign{Organ: leaf, Sign: sign} }

	first, err := send(of("mosaic"))
	require.NoError(t, err)
	require.Len(t, first.GetShows(), 1)
	again, err := send(of("mosaic"), of("ring-pattern"))
	require.NoError(t, err)
	require.Equal(t, first.GetName(), again.GetName())
	require.Len(t, again.GetShows(), 2, "the same photo may show more")

	_, err = send(of("sunken"))
	rpctest.RefusedField(t, err, "shows[0]")
	_, err = send(of("mosaic"), of("slimy"))
	rpctest.RefusedField(t, err, "shows[1]")

	kept, err := n.client.GetInspection(n.worker, &diagnosisv1.GetInspectionRequest{Name: inspected.GetName()})
	require.NoError(t, err)
	require.Len(t, kept.GetPhotos(), 1)
	require.Equal(t, "mosaic", kept.GetPhotos()[0].GetShows()[0].GetSign())
	require.Len(t, kept.GetPhotos()[0].GetShows(), 2)
}
