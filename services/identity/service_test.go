package identity_test

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	identityv1 "velamen/gen/velamen/identity/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
	"velamen/services/identity"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// settable is a clock that a test moves.
type settable struct {
	mu  sync.Mutex
	now time.Time
}

func (s *settable) Now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return clock.Stored(s.now)
}

func (s *settable) forward(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = s.now.Add(d)
}

const (
	setupKey = "the key in the data folder"
	password = "correct horse battery"
)

// bench is a nursery that was set up through the service, which also tells the
// server who calls.
type bench struct {
	clock  *settable
	db     *pgtest.Database
	client identityv1.IdentityServiceClient
	owner  context.Context
}

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{clock: &settable{now: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)}}
	b.db = pgtest.NewAt(t, b.clock)
	b.client = serve(t, identity.New(b.db.DB, setupKey))
	_, err := b.client.SetUpNursery(context.Background(), setUp())
	require.NoError(t, err)
	b.owner = b.as(t, "olwen", password)
	return b
}

func serve(t *testing.T, service *identity.Service) identityv1.IdentityServiceClient {
	t.Helper()
	listener := bufconn.Listen(1 << 20)
	server := rpc.NewServer(slog.New(slog.DiscardHandler), service)
	identityv1.RegisterIdentityServiceServer(server, service)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient("passthrough:///test",
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return identityv1.NewIdentityServiceClient(conn)
}

func setUp() *identityv1.SetUpNurseryRequest {
	return &identityv1.SetUpNurseryRequest{
		NurseryId: "test",
		Nursery:   &identityv1.Nursery{DisplayName: "Test nursery", TimeZone: "Africa/Johannesburg", Jurisdiction: "ZA"},
		OwnerId:   "olwen", OwnerDisplayName: "Olwen Owner", OwnerPassword: password,
		SetupKey: setupKey, RequestId: uuid.NewString(),
	}
}

func (b *bench) signIn(person, password string) (*identityv1.SignInResponse, error) {
	return b.client.SignIn(context.Background(), &identityv1.SignInRequest{Person: "nurseries/test/people/" + person, Password: password})
}

// as signs a person in and returns the context of their calls.
func (b *bench) as(t *testing.T, person, password string) context.Context {
	t.Helper()
	answer, err := b.signIn(person, password)
	require.NoError(t, err)
	return metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+answer.GetToken())
}

func (b *bench) add(t *testing.T, id string, role identityv1.Role) *identityv1.Person {
	t.Helper()
	person, err := b.client.CreatePerson(b.owner, create(id, role))
	require.NoError(t, err)
	return person
}

func create(id string, role identityv1.Role) *identityv1.CreatePersonRequest {
	return &identityv1.CreatePersonRequest{
		Parent: "nurseries/test", PersonId: id, Password: password, RequestId: uuid.NewString(),
		Person: &identityv1.Person{DisplayName: "Person " + id, Role: role},
	}
}

func (b *bench) count(t *testing.T, table string) (n int) {
	t.Helper()
	require.NoError(t, b.db.QueryRow(context.Background(), "SELECT count(*) FROM "+table).Scan(&n))
	return n
}

func mask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

func TestSetUpMakesANurseryWithItsOwner(t *testing.T) {
	b := newBench(t)
	nursery, err := b.client.GetNursery(b.owner, &identityv1.GetNurseryRequest{Name: "nurseries/test"})
	require.NoError(t, err)
	require.Equal(t, "Africa/Johannesburg", nursery.GetTimeZone())
	require.Equal(t, b.clock.Now(), nursery.GetCreateTime().AsTime())
	owner, err := b.client.GetPerson(b.owner, &identityv1.GetPersonRequest{Name: "nurseries/test/people/olwen"})
	require.NoError(t, err)
	require.Equal(t, identityv1.Role_ROLE_OWNER, owner.GetRole())
	require.Equal(t, "Olwen Owner", owner.GetDisplayName())
}

func TestSetUpIsRefused(t *testing.T) {
	b := newBench(t)
	for _, test := range []struct {
		name   string
		spoil  func(*identityv1.SetUpNurseryRequest)
		code   codes.Code
		reason fault.Reason
	}{
		{"wrong key", func(r *identityv1.SetUpNurseryRequest) { r.SetupKey = "guess" }, codes.PermissionDenied, fault.SetupRefused},
		{"wrong key for a nursery that exists says no more", func(r *identityv1.SetUpNurseryRequest) { r.SetupKey, r.NurseryId = "guess", "test" }, codes.PermissionDenied, fault.SetupRefused},
		{"set up before", func(r *identityv1.SetUpNurseryRequest) { r.NurseryId = "test" }, codes.AlreadyExists, fault.SetupRefused},
		{"the server's own zone", func(r *identityv1.SetUpNurseryRequest) { r.Nursery.TimeZone = "Local" }, codes.InvalidArgument, fault.InvalidField},
		{"unknown zone", func(r *identityv1.SetUpNurseryRequest) { r.Nursery.TimeZone = "Mars/Olympus" }, codes.InvalidArgument, fault.InvalidField},
		{"short password", func(r *identityv1.SetUpNurseryRequest) { r.OwnerPassword = "short" }, codes.InvalidArgument, fault.InvalidField},
		{"no law", func(r *identityv1.SetUpNurseryRequest) { r.Nursery.Jurisdiction = "South Africa" }, codes.InvalidArgument, fault.InvalidField},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := setUp()
			request.NurseryId = "second"
			test.spoil(request)
			_, err := b.client.SetUpNursery(context.Background(), request)
			rpctest.Refused(t, err, test.code, test.reason)
			require.Equal(t, 1, b.count(t, "identity.nursery"))
			require.Equal(t, 1, b.count(t, "identity.person"))
		})
	}
}

// A typing error would turn off the laws of the country that was meant.
func TestANurseryIsInACountryThatThereIs(t *testing.T) {
	b := newBench(t)
	for code, explained := range map[string]string{
		"XX": "not a country of ISO 3166-1", "QQ": "not a country", "QQ-CA": "cannot check the part after the hyphen",
		"EU": "enter the country", "EU-CA": "no subdivisions", "SU": "not a country",
	} {
		request := setUp()
		request.NurseryId, request.Nursery.Jurisdiction = "second", code
		_, err := b.client.SetUpNursery(context.Background(), request)
		message := rpctest.RefusedField(t, err, "nursery.jurisdiction")
		require.Contains(t, message, explained, code)

		_, err = b.client.UpdateNursery(b.owner, &identityv1.UpdateNurseryRequest{
			Nursery: &identityv1.Nursery{Name: "nurseries/test", Jurisdiction: code}, UpdateMask: mask("jurisdiction"), RequestId: uuid.NewString(),
		})
		rpctest.RefusedField(t, err, "nursery.jurisdiction")
	}
	for _, code := range []string{"DE", "EL", "UK", "US-CA", "ZA"} {
		changed, err := b.client.UpdateNursery(b.owner, &identityv1.UpdateNurseryRequest{
			Nursery: &identityv1.Nursery{Name: "nurseries/test", Jurisdiction: code}, UpdateMask: mask("jurisdiction"), RequestId: uuid.NewString(),
		})
		require.NoError(t, err)
		require.Equal(t, code, changed.GetJurisdiction())
	}
}

func TestNobodySetsUpWithoutAKeyOnTheServer(t *testing.T) {
	db := pgtest.New(t)
	client := serve(t, identity.New(db.DB, ""))
	_, err := client.SetUpNursery(context.Background(), setUp())
	rpctest.Refused(t, err, codes.PermissionDenied, fault.SetupRefused)
}

func TestSetUpAgainReturnsTheFirstAnswer(t *testing.T) {
	db := pgtest.New(t)
	client := serve(t, identity.New(db.DB, setupKey))
	request := setUp()
	first, err := client.SetUpNursery(context.Background(), request)
	require.NoError(t, err)
	again, err := client.SetUpNursery(context.Background(), request)
	require.NoError(t, err)
	require.True(t, proto.Equal(first, again))

	request.OwnerPassword = "another long password"
	_, err = client.SetUpNursery(context.Background(), request)
	rpctest.Refused(t, err, codes.InvalidArgument, fault.RequestIDReused)
}

func TestSignInRefusesWithoutTellingWhy(t *testing.T) {
	b := newBench(t)
	b.add(t, "sipho", identityv1.Role_ROLE_WORKER)
	gone := b.add(t, "gone", identityv1.Role_ROLE_WORKER)
	gone.Disabled = true
	_, err := b.client.UpdatePerson(b.owner, &identityv1.UpdatePersonRequest{Person: gone, RequestId: uuid.NewString()})
	require.NoError(t, err)

	messages := map[string]bool{}
	for _, test := range []struct{ name, person, password string }{
		{"wrong password", "sipho", "correct horse batterY"},
		{"unknown person", "nobody", password},
		{"disabled person", "gone", password},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := b.signIn(test.person, test.password)
			message, values := rpctest.Refused(t, err, codes.Unauthenticated, fault.NotSignedIn)
			require.Empty(t, values)
			messages[message] = true
		})
	}
	require.Len(t, messages, 1, "the same sentence for all")

	_, err = b.client.SignIn(context.Background(), &identityv1.SignInRequest{Person: "sipho", Password: password})
	rpctest.RefusedField(t, err, "person")
}

func TestATokenEnds(t *testing.T) {
	for _, test := range []struct {
		name string
		end  func(t *testing.T, b *bench, sipho context.Context)
	}{
		{"after twelve hours", func(_ *testing.T, b *bench, _ context.Context) { b.clock.forward(12 * time.Hour) }},
		{"by signing out", func(t *testing.T, b *bench, sipho context.Context) {
			_, err := b.client.SignOut(sipho, &identityv1.SignOutRequest{})
			require.NoError(t, err)
		}},
		{"with a new password", func(t *testing.T, b *bench, _ context.Context) {
			_, err := b.client.UpdatePerson(b.owner, &identityv1.UpdatePersonRequest{
				Person: &identityv1.Person{Name: "nurseries/test/people/sipho"}, NewPassword: "another long password", RequestId: uuid.NewString()})
			require.NoError(t, err)
			_, err = b.signIn("sipho", password)
			rpctest.Refused(t, err, codes.Unauthenticated, fault.NotSignedIn)
			_, err = b.signIn("sipho", "another long password")
			require.NoError(t, err)
		}},
		{"when the person is disabled", func(t *testing.T, b *bench, _ context.Context) {
			_, err := b.client.UpdatePerson(b.owner, &identityv1.UpdatePersonRequest{
				Person: &identityv1.Person{Name: "nurseries/test/people/sipho", Disabled: true}, RequestId: uuid.NewString()})
			require.NoError(t, err)
			require.Equal(t, 1, b.count(t, "identity.token"), "the owner's alone")
		}},
	} {
		t.Run(test.name, func(t *testing.T) {
			b := newBench(t)
			b.add(t, "sipho", identityv1.Role_ROLE_WORKER)
			sipho := b.as(t, "sipho", password)
			get := &identityv1.GetNurseryRequest{Name: "nurseries/test"}
			_, err := b.client.GetNursery(sipho, get)
			require.NoError(t, err)
			test.end(t, b, sipho)
			_, err = b.client.GetNursery(sipho, get)
			rpctest.Refused(t, err, codes.Unauthenticated, fault.NotSignedIn)
		})
	}
}

func TestATokenLastsUntilItsExpireTime(t *testing.T) {
	b := newBench(t)
	answer, err := b.signIn("olwen", password)
	require.NoError(t, err)
	require.Len(t, answer.GetToken(), 43, "32 bytes in base64")
	require.Equal(t, b.clock.Now().Add(12*time.Hour), answer.GetExpireTime().AsTime())
	require.Equal(t, "nurseries/test/people/olwen", answer.GetPerson().GetName())

	var kept int
	require.NoError(t, b.db.QueryRow(context.Background(),
		`SELECT count(*) FROM identity.token WHERE hash::text LIKE '%' || $1 || '%'`, answer.GetToken()).Scan(&kept))
	require.Zero(t, kept, "only the hash is kept")

	b.clock.forward(12*time.Hour - time.Microsecond)
	ctx := metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+answer.GetToken())
	_, err = b.client.GetNursery(ctx, &identityv1.GetNurseryRequest{Name: "nurseries/test"})
	require.NoError(t, err)
}

func TestSigningInSweepsOwnExpiredTokens(t *testing.T) {
	b := newBench(t)
	b.clock.forward(13 * time.Hour)
	b.as(t, "olwen", password)
	require.Equal(t, 1, b.count(t, "identity.token"))
}

func TestARoleCountsFromTheNextCall(t *testing.T) {
	b := newBench(t)
	b.add(t, "sipho", identityv1.Role_ROLE_WORKER)
	sipho := b.as(t, "sipho", password)
	_, err := b.client.CreatePerson(sipho, create("thandi", identityv1.Role_ROLE_WORKER))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	_, err = b.client.UpdatePerson(b.owner, &identityv1.UpdatePersonRequest{
		Person: &identityv1.Person{Name: "nurseries/test/people/sipho", Role: identityv1.Role_ROLE_OWNER}, RequestId: uuid.NewString()})
	require.NoError(t, err)
	_, err = b.client.CreatePerson(sipho, create("thandi", identityv1.Role_ROLE_WORKER))
	require.NoError(t, err)
}

func TestCreatePerson(t *testing.T) {
	b := newBench(t)
	request := create("sipho", identityv1.Role_ROLE_WORKER)
	request.Person.Certificates = []*identityv1.Certificate{
		{Number: "P-17", Category: "greenhouse", ExpireDate: &typev1.Date{Value: "2028-02-29"}},
		{Number: "A-3", ExpireDate: &typev1.Date{Value: "2026-12-31"}},
	}
	created, err := b.client.CreatePerson(b.owner, request)
	require.NoError(t, err)
	read, err := b.client.GetPerson(b.owner, &identityv1.GetPersonRequest{Name: created.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(created, read), "%v\n%v", created, read)

	again, err := b.client.CreatePerson(b.owner, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(created, again), "a retry returns the first answer")
	require.Equal(t, 2, b.count(t, "identity.person"))

	person, err := identity.ReadPerson(context.Background(), b.db, "test", "sipho")
	require.NoError(t, err)
	require.Equal(t, "2028-02-29", person.Certificates[0].ExpireDate)
	require.Equal(t, "A-3", person.Certificates[1].Number)
}

func TestCreatePersonIsRefused(t *testing.T) {
	b := newBench(t)
	for _, test := range []struct {
		name   string
		spoil  func(*identityv1.CreatePersonRequest)
		code   codes.Code
		reason fault.Reason
		field  string
	}{
		{"exists", func(r *identityv1.CreatePersonRequest) { r.PersonId = "olwen" }, codes.AlreadyExists, fault.AlreadyExists, ""},
		{"no role", func(r *identityv1.CreatePersonRequest) { r.Person.Role = 0 }, codes.InvalidArgument, fault.InvalidField, "person.role"},
		{"no name", func(r *identityv1.CreatePersonRequest) { r.Person.DisplayName = "" }, codes.InvalidArgument, fault.InvalidField, "person.display_name"},
		{"short password", func(r *identityv1.CreatePersonRequest) { r.Password = "123456789" }, codes.InvalidArgument, fault.InvalidField, "password"},
		{"no such day", func(r *identityv1.CreatePersonRequest) {
			r.Person.Certificates = []*identityv1.Certificate{{Number: "1", ExpireDate: &typev1.Date{Value: "2026-02-29"}}}
		}, codes.InvalidArgument, fault.InvalidField, "person.certificates[0].expire_date"},
		{"before any calendar", func(r *identityv1.CreatePersonRequest) {
			r.Person.Certificates = []*identityv1.Certificate{{Number: "1", ExpireDate: &typev1.Date{Value: "0000-01-01"}}}
		}, codes.InvalidArgument, fault.InvalidField, "person.certificates[0].expire_date"},
		{"certificate without a last day", func(r *identityv1.CreatePersonRequest) {
			r.Person.Certificates = []*identityv1.Certificate{{Number: "1"}}
		}, codes.InvalidArgument, fault.InvalidField, "person.certificates[0].expire_date"},
		{"another nursery", func(r *identityv1.CreatePersonRequest) { r.Parent = "nurseries/other" }, codes.PermissionDenied, fault.PermissionDenied, ""},
		{"no nursery", func(r *identityv1.CreatePersonRequest) { r.Parent = "nurseries/test/people" }, codes.InvalidArgument, fault.InvalidField, "parent"},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := create("sipho", identityv1.Role_ROLE_WORKER)
			test.spoil(request)
			_, err := b.client.CreatePerson(b.owner, request)
			rpctest.Refused(t, err, test.code, test.reason)
			if test.field != "" {
				rpctest.RefusedField(t, err, test.field)
			}
			require.Equal(t, 1, b.count(t, "identity.person"))
			require.Zero(t, b.count(t, "identity.certificate"))
		})
	}
}

func TestUpdatePerson(t *testing.T) {
	b := newBench(t)
	request := create("sipho", identityv1.Role_ROLE_WORKER)
	request.Person.Certificates = []*identityv1.Certificate{{Number: "P-17", ExpireDate: &typev1.Date{Value: "2026-12-31"}}}
	created, err := b.client.CreatePerson(b.owner, request)
	require.NoError(t, err)

	changed, err := b.client.UpdatePerson(b.owner, &identityv1.UpdatePersonRequest{
		Person: &identityv1.Person{Name: created.GetName(), DisplayName: "Sipho S", Etag: created.GetEtag()}, RequestId: uuid.NewString()})
	require.NoError(t, err)
	require.Equal(t, "Sipho S", changed.GetDisplayName())
	require.Len(t, changed.GetCertificates(), 1, "what is not set stays without a mask")
	require.NotEqual(t, created.GetEtag(), changed.GetEtag())

	_, err = b.client.UpdatePerson(b.owner, &identityv1.UpdatePersonRequest{
		Person: &identityv1.Person{Name: created.GetName(), DisplayName: "Late", Etag: created.GetEtag()}, RequestId: uuid.NewString()})
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)

	changed, err = b.client.UpdatePerson(b.owner, &identityv1.UpdatePersonRequest{
		Person: &identityv1.Person{Name: created.GetName()}, UpdateMask: mask("certificates"), RequestId: uuid.NewString()})
	require.NoError(t, err)
	require.Empty(t, changed.GetCertificates())
	require.Equal(t, "Sipho S", changed.GetDisplayName())
	_, err = b.signIn("sipho", password)
	require.NoError(t, err, "the password is as it was")

	for _, test := range []struct {
		name    string
		request *identityv1.UpdatePersonRequest
		code    codes.Code
		reason  fault.Reason
	}{
		{"nobody", &identityv1.UpdatePersonRequest{Person: &identityv1.Person{Name: "nurseries/test/people/nobody", DisplayName: "N"}}, codes.NotFound, fault.NotFoundReason},
		{"no person", &identityv1.UpdatePersonRequest{}, codes.InvalidArgument, fault.InvalidField},
		{"unknown field", &identityv1.UpdatePersonRequest{Person: &identityv1.Person{Name: created.GetName()}, UpdateMask: mask("wage")}, codes.InvalidArgument, fault.InvalidField},
		{"short password", &identityv1.UpdatePersonRequest{Person: &identityv1.Person{Name: created.GetName()}, NewPassword: "short"}, codes.InvalidArgument, fault.InvalidField},
		{"empty name", &identityv1.UpdatePersonRequest{Person: &identityv1.Person{Name: created.GetName()}, UpdateMask: mask("display_name")}, codes.InvalidArgument, fault.InvalidField},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.request.RequestId = uuid.NewString()
			_, err := b.client.UpdatePerson(b.owner, test.request)
			rpctest.Refused(t, err, test.code, test.reason)
		})
	}
}

func TestTheLastOwnerStays(t *testing.T) {
	for _, test := range []struct {
		name   string
		change *identityv1.Person
		paths  []string
		field  string
	}{
		{"disabled", &identityv1.Person{Disabled: true}, nil, "person.disabled"},
		{"another role", &identityv1.Person{Role: identityv1.Role_ROLE_MANAGER}, nil, "person.role"},
	} {
		t.Run(test.name, func(t *testing.T) {
			b := newBench(t)
			update := func() error {
				test.change.Name = "nurseries/test/people/olwen"
				_, err := b.client.UpdatePerson(b.owner, &identityv1.UpdatePersonRequest{Person: test.change, RequestId: uuid.NewString()})
				return err
			}
			rpctest.Refused(t, update(), codes.FailedPrecondition, fault.InvalidField)
			second := b.add(t, "second", identityv1.Role_ROLE_OWNER)
			second.Disabled = true
			_, err := b.client.UpdatePerson(b.owner, &identityv1.UpdatePersonRequest{Person: second, RequestId: uuid.NewString()})
			require.NoError(t, err)
			rpctest.Refused(t, update(), codes.FailedPrecondition, fault.InvalidField)
			b.add(t, "third", identityv1.Role_ROLE_OWNER)
			require.NoError(t, update())
		})
	}
}

func TestTwoOwnersCannotDemoteEachOtherAtOnce(t *testing.T) {
	b := newBench(t)
	b.add(t, "second", identityv1.Role_ROLE_OWNER)
	var both sync.WaitGroup
	for _, id := range []string{"olwen", "second"} {
		caller := b.as(t, id, password)
		both.Go(func() {
			_, _ = b.client.UpdatePerson(caller, &identityv1.UpdatePersonRequest{
				Person: &identityv1.Person{Name: "nurseries/test/people/" + id, Role: identityv1.Role_ROLE_WORKER}, RequestId: uuid.NewString()})
		})
	}
	both.Wait()
	var owners int
	require.NoError(t, b.db.QueryRow(context.Background(), `SELECT count(*) FROM identity.person WHERE role = 'OWNER' AND NOT disabled`).Scan(&owners))
	require.Equal(t, 1, owners)
}

// A sign-in that verified the old password while it was being changed must not
// outlive the change.
func TestASignInUnderWayDoesNotSurviveANewPassword(t *testing.T) {
	b := newBench(t)
	b.add(t, "sipho", identityv1.Role_ROLE_WORKER)
	ctx := context.Background()
	answered := make(chan error, 1)
	err := b.db.InTx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `UPDATE identity.person SET password_hash = '' WHERE id = 'sipho'`); err != nil {
			return err
		}
		go func() {
			_, err := b.signIn("sipho", password)
			answered <- err
		}()
		return b.untilBlocked(ctx)
	})
	require.NoError(t, err)
	rpctest.Refused(t, <-answered, codes.Unauthenticated, fault.NotSignedIn)
	require.Equal(t, 1, b.count(t, "identity.token"), "the owner's alone")
}

// untilBlocked waits until a session waits for a lock.
func (b *bench) untilBlocked(ctx context.Context) error {
	deadline := time.Now().Add(30 * time.Second)
	for time.Now().Before(deadline) {
		var waiting bool
		err := b.db.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid
			WHERE NOT l.granted AND a.datname = current_database())`).Scan(&waiting)
		if err != nil || waiting {
			return err
		}
	}
	return fmt.Errorf("nobody waited for the lock")
}

func TestUpdateNursery(t *testing.T) {
	b := newBench(t)
	nursery, err := b.client.GetNursery(b.owner, &identityv1.GetNurseryRequest{Name: "nurseries/test"})
	require.NoError(t, err)
	nursery.Address, nursery.TimeZone = "1 Main Road", "Europe/Amsterdam"
	nursery.OperatorId, nursery.County = "00-00-000", "Invented county"
	nursery.EmergencyPhone, nursery.EmergencyCare = "000 000 0000", "Clinic, 2 Main Road"
	changed, err := b.client.UpdateNursery(b.owner, &identityv1.UpdateNurseryRequest{Nursery: nursery, RequestId: uuid.NewString()})
	require.NoError(t, err)
	require.Equal(t, "1 Main Road", changed.GetAddress())
	require.Equal(t, nursery.GetCreateTime().AsTime(), changed.GetCreateTime().AsTime())
	read, err := identity.ReadNursery(context.Background(), b.db, "test")
	require.NoError(t, err)
	require.Equal(t, "Europe/Amsterdam", read.Zone.String())
	require.Equal(t, "00-00-000", read.OperatorID)
	require.Equal(t, "Invented county", read.County)
	require.Equal(t, "000 000 0000", read.EmergencyPhone)
	require.Equal(t, "Clinic, 2 Main Road", read.EmergencyCare)
	kept, err := b.client.UpdateNursery(b.owner, &identityv1.UpdateNurseryRequest{
		Nursery: &identityv1.Nursery{Name: "nurseries/test", EmergencyPhone: "000 000 0001"}, UpdateMask: mask("emergency_phone", "county"), RequestId: uuid.NewString()})
	require.NoError(t, err)
	require.Equal(t, "000 000 0001", kept.GetEmergencyPhone())
	require.Empty(t, kept.GetCounty())
	require.Equal(t, "00-00-000", kept.GetOperatorId())
	for field, broken := range map[string]*identityv1.Nursery{
		"nursery.operator_id":     {OperatorId: " "},
		"nursery.county":          {County: "a\nb"},
		"nursery.emergency_phone": {EmergencyPhone: "000\t1"},
		"nursery.emergency_care":  {EmergencyCare: "Clinic "},
	} {
		broken.Name = "nurseries/test"
		_, err := b.client.UpdateNursery(b.owner, &identityv1.UpdateNurseryRequest{Nursery: broken, RequestId: uuid.NewString()})
		rpctest.RefusedField(t, err, field)
	}

	_, err = b.client.UpdateNursery(b.owner, &identityv1.UpdateNurseryRequest{Nursery: nursery, RequestId: uuid.NewString()})
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
	_, err = b.client.UpdateNursery(b.owner, &identityv1.UpdateNurseryRequest{
		Nursery: &identityv1.Nursery{Name: "nurseries/test", TimeZone: "Local"}, RequestId: uuid.NewString()})
	rpctest.RefusedField(t, err, "nursery.time_zone")

	_, err = identity.ReadNursery(context.Background(), b.db, "nowhere")
	require.True(t, fault.Is(err, fault.NotFoundReason), err)
	_, err = identity.ReadPerson(context.Background(), b.db, "test", "nobody")
	require.True(t, fault.Is(err, fault.NotFoundReason), err)
}

func TestListPeopleInPages(t *testing.T) {
	b := newBench(t)
	for _, id := range []string{"thandi", "anna", "sipho", "mira"} {
		b.add(t, id, identityv1.Role_ROLE_WORKER)
	}
	var names []string
	request := &identityv1.ListPeopleRequest{Parent: "nurseries/test", PageSize: 2}
	for {
		page, err := b.client.ListPeople(b.owner, request)
		require.NoError(t, err)
		require.LessOrEqual(t, len(page.GetPeople()), 2)
		for _, person := range page.GetPeople() {
			names = append(names, person.GetName())
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, []string{"nurseries/test/people/anna", "nurseries/test/people/mira", "nurseries/test/people/olwen",
		"nurseries/test/people/sipho", "nurseries/test/people/thandi"}, names)
}
