package demo

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/records"
	"velamen/services/schedule"
	"velamen/services/stock"
	"velamen/services/treatment"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

const setupKey = "the key of the test"

// serve runs all services on a fresh database, without Temporal: what programs
// would learn is taken and dropped.
func serve(t *testing.T) (Server, *bytes.Buffer) {
	t.Helper()
	db, logger := pgtest.New(t), slog.New(slog.DiscardHandler)
	programs := postgres.Consumer{
		Name: "programs", Topics: append(schedule.Topics(), treatment.TopicProgramStarted, treatment.TopicProgramAdvanced, treatment.TopicClosuresChanged,
			diagnosis.TopicClimateImported, diagnosis.TopicInspected),
		Send: func(context.Context, postgres.Event) error { return nil },
	}
	outbox := postgres.NewOutbox(db.DB, logger, stock.Consumer(), products.Consumer(), records.Consumer(db.DB), programs)
	people := identity.New(db.DB, setupKey)
	server := rpc.NewServer(logger, people)
	identityv1.RegisterIdentityServiceServer(server, people)
	stockv1.RegisterStockServiceServer(server, stock.New(db.DB))
	diagnosisv1.RegisterDiagnosisServiceServer(server, diagnosis.New(db.DB, t.TempDir(), outbox))
	productsv1.RegisterProductsServiceServer(server, products.New(db.DB))
	treatmentv1.RegisterTreatmentServiceServer(server, treatment.New(db.DB, outbox))
	schedulev1.RegisterScheduleServiceServer(server, schedule.New(db.DB, outbox))
	recordsv1.RegisterRecordsServiceServer(server, records.New(db.DB))

	listener := bufconn.Listen(1 << 20)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	relaying, stop := context.WithCancel(context.Background())
	relayed := make(chan struct{})
	go func() {
		defer close(relayed)
		outbox.Run(relaying)
	}()
	t.Cleanup(func() {
		stop()
		<-relayed
	})
	conn, err := grpc.NewClient("passthrough:///demo",
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	out := &bytes.Buffer{}
	return Server{Conn: conn, SetupKey: setupKey, Clock: clock.System{}, Out: out}, out
}

// breaksOff ends a context when what is written contains a text.
type breaksOff struct {
	text string
	end  context.CancelFunc
}

func (b breaksOff) Write(p []byte) (int, error) {
	if bytes.Contains(p, []byte(b.text)) {
		b.end()
	}
	return len(p), nil
}

func TestSeed(t *testing.T) {
	ctx := context.Background()
	server, out := serve(t)
	for _, text := range []string{"32 products", "159 movements"} {
		broken, end := context.WithCancel(ctx)
		server.Out = breaksOff{text: text, end: end}
		require.Error(t, Seed(broken, server), "broken off after %s", text)
	}
	server.Out = out
	require.NoError(t, Seed(ctx, server), out.String())

	s, err := open(ctx, server)
	require.NoError(t, err)
	require.NoError(t, s.signAllIn(ctx))
	story := &story{seeder: s, worker: s.nursery.first(identityv1.Role_ROLE_WORKER), auditor: s.nursery.first(identityv1.Role_ROLE_AUDITOR)}
	onHand, counts := books(ctx, t, story)
	require.EqualValues(t, 400+80+5, counts.lots)
	require.Equal(t, len(s.nursery.outbreaks), counts.cases)
	programs(ctx, t, story)
	t.Run("applications are answered for", func(t *testing.T) { require.NoError(t, story.answeredFor(ctx)) })
	t.Run("releases say what was shown", func(t *testing.T) { releases(ctx, t, story) })
	t.Run("the store gave what was applied", func(t *testing.T) { taken(ctx, t, story) })
	t.Run("spots that nobody has named are assessed", func(t *testing.T) { require.NoError(t, story.unnamed(ctx)) })
	t.Run("a rotation can be planned", func(t *testing.T) { require.NoError(t, story.planned(ctx)) })

	t.Run("signs of past applications are down", func(t *testing.T) {
		due, err := s.treatment.ListNotices(s.as(t.Context(), s.manager().ID), &treatmentv1.ListNoticesRequest{Parent: s.parent(), ShowDone: true})
		require.NoError(t, err)
		done := 0
		for _, notice := range due.GetNotices() {
			if notice.GetDoneTime() != nil {
				done++
			}
			if notice.GetOverdue() && notice.GetKind() != treatmentv1.NoticeKind_NOTICE_KIND_SIGNS_UP {
				require.True(t, notice.GetDueTime().AsTime().After(s.Clock.Now().Add(-25*time.Hour)), "%s", notice.GetName())
			}
		}
		require.Positive(t, done)
		board, err := s.treatment.ListClosures(s.as(t.Context(), s.manager().ID), &treatmentv1.ListClosuresRequest{Parent: s.parent()})
		require.NoError(t, err)
		for _, house := range board.GetHouses() {
			for _, closure := range house.GetClosures() {
				runs := slices.ContainsFunc(house.GetClosures(), func(other *treatmentv1.Closure) bool {
					return other.GetApplication() == closure.GetApplication() && other.GetReason() == treatmentv1.ClosureReason_CLOSURE_REASON_INTERVAL
				})
				require.True(t, runs || closure.GetReason() != treatmentv1.ClosureReason_CLOSURE_REASON_SIGNS, "the interval is over: %s", closure.GetMessage())
			}
		}
	})
	t.Run("a second time finds it seeded", func(t *testing.T) {
		out.Reset()
		require.NoError(t, Seed(ctx, server))
		require.Contains(t, out.String(), "is here already")
		require.Equal(t, 1, strings.Count(out.String(), "\n"))
	})
	t.Run("every part may be repeated", func(t *testing.T) {
		for _, part := range []func(context.Context) error{
			s.addPeople, s.addProducts, s.fillStore, s.importStock, s.addDeliveries, s.addLotEvents, s.addOutbreaks, s.returnReleased, s.addPlanning, s.addSprayers,
		} {
			require.NoError(t, part(ctx))
		}
		again, countsAgain := books(ctx, t, story)
		require.Equal(t, onHand, again)
		require.Equal(t, counts, countsAgain)
	})
}

type counts struct{ lots, cases, entries int }

// books holds plants and ledger to agree and counts what there is.
func books(ctx context.Context, t *testing.T, s *story) (onHand int64, c counts) {
	t.Helper()
	applied, err := s.treatment.ListApplications(s.asAuditor(ctx), &treatmentv1.ListApplicationsRequest{Parent: s.parent(), PageSize: largestPage})
	require.NoError(t, err)
	s.applications = nil
	for _, application := range applied.GetApplications() {
		s.applications = append(s.applications, application.GetName())
	}
	require.NoError(t, s.awaitLedger(ctx))
	require.NoError(t, s.onRecord(ctx))
	lots, err := s.stock.ListLots(s.asAuditor(ctx), &stockv1.ListLotsRequest{Parent: s.parent(), IncludeEmpty: true, PageSize: largestPage})
	require.NoError(t, err)
	cases, err := s.treatment.ListCases(s.asAuditor(ctx), &treatmentv1.ListCasesRequest{Parent: s.parent(), PageSize: largestPage})
	require.NoError(t, err)
	plants, err := s.stock.GetPlantBalance(s.asAuditor(ctx), &stockv1.GetPlantBalanceRequest{Name: s.parent()})
	require.NoError(t, err)
	return plants.GetOnHand(), counts{lots: len(lots.GetLots()), cases: len(cases.GetCases()), entries: len(s.applications)}
}

// releases holds every release to state what the inspections show, and to show
// enough unless the manager answers for it.
func releases(ctx context.Context, t *testing.T, s *story) {
	t.Helper()
	listed, err := s.treatment.ListPrograms(s.asAuditor(ctx), &treatmentv1.ListProgramsRequest{
		Parent: s.parent(), PageSize: largestPage, States: []treatmentv1.ProgramState{treatmentv1.ProgramState_PROGRAM_STATE_RELEASED},
	})
	require.NoError(t, err)
	answered := 0
	for _, program := range listed.GetPrograms() {
		history, err := s.treatment.ListProgramEvents(s.asAuditor(ctx), &treatmentv1.ListProgramEventsRequest{Name: program.GetName(), PageSize: largestPage})
		require.NoError(t, err)
		events := history.GetEvents()
		released := events[slices.IndexFunc(events, func(e *treatmentv1.ProgramEvent) bool { return e.GetStatement() != "" })]
		require.Contains(t, released.GetStatement(), "confidence", program.GetName())
		answered += len(released.GetConfirmation().GetOverrides())
	}
	require.Len(t, listed.GetPrograms(), 5)
	require.Equal(t, 1, answered)
}

// taken holds every container to what was taken out of it, and waits for it.
func taken(ctx context.Context, t *testing.T, s *story) {
	t.Helper()
	require.NoError(t, eventually(ctx, "the store gave for every application", func() (bool, error) {
		listed, err := s.products.ListContainers(s.asAuditor(ctx), &productsv1.ListContainersRequest{Parent: s.name("products", "-"), PageSize: largestPage})
		if err != nil {
			return false, err
		}
		gave := map[string]bool{}
		for _, container := range listed.GetContainers() {
			require.False(t, strings.HasPrefix(container.GetRemaining().GetAmount(), "-"), container.GetName())
			history, err := s.products.ListContainerEvents(s.asAuditor(ctx), &productsv1.ListContainerEventsRequest{Name: container.GetName(), PageSize: largestPage})
			if err != nil {
				return false, err
			}
			for _, event := range history.GetEvents() {
				gave[event.GetApplication()] = true
			}
		}
		return !slices.ContainsFunc(s.applications, func(application string) bool { return !gave[application] }), nil
	}))
}

// programs holds every program to stand where its outbreak says.
func programs(ctx context.Context, t *testing.T, s *story) {
	t.Helper()
	listed, err := s.treatment.ListPrograms(s.asAuditor(ctx), &treatmentv1.ListProgramsRequest{Parent: s.parent(), PageSize: largestPage})
	require.NoError(t, err)
	states := map[string]string{}
	for _, program := range listed.GetPrograms() {
		for _, lot := range program.GetLots() {
			states[lot] = strings.TrimPrefix(program.GetState().String(), "PROGRAM_STATE_")
		}
	}
	for _, o := range s.nursery.outbreaks {
		if state := states[s.lot(o.Lots[0])]; state != "" {
			require.Equal(t, o.Ends, state, o.Key)
		}
	}
}
