package identity

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	identityv1 "velamen/gen/velamen/identity/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/jurisdiction"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

var (
	_ identityv1.IdentityServiceServer = (*Service)(nil)
	_ rpc.Authenticator                = (*Service)(nil)
)

// Service implements velamen.identity.v1.IdentityService and tells the server
// who holds a token.
type Service struct {
	identityv1.UnimplementedIdentityServiceServer
	db        *postgres.DB
	setupKey  string
	passwords *passwords
}

// New returns the service. setupKey opens SetUpNursery; when it is empty nobody
// can set a nursery up.
func New(db *postgres.DB, setupKey string) *Service {
	return &Service{db: db, setupKey: setupKey, passwords: newPasswords()}
}

// Authenticate returns who holds a token, or an Unauthenticated fault. Nothing
// is cached: whoever is disabled or demoted is so on the next call.
func (s *Service) Authenticate(ctx context.Context, token string) (rpc.Principal, error) {
	holder, found, err := readHolder(ctx, s.db, tokenHash(token), s.db.Now())
	if err != nil {
		return rpc.Principal{}, err
	}
	if !found {
		return rpc.Principal{}, fault.New(fault.Unauthenticated, fault.NotSignedIn, "the sign-in has ended; sign in again")
	}
	return holder, nil
}

// GetNursery returns the nursery.
func (s *Service) GetNursery(ctx context.Context, request *identityv1.GetNurseryRequest) (*identityv1.Nursery, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries")
	if err != nil {
		return nil, err
	}
	row, err := readNursery(ctx, s.db, ids[0], "")
	if err != nil {
		return nil, err
	}
	return row.contract(), nil
}

// GetPerson returns one person.
func (s *Service) GetPerson(ctx context.Context, request *identityv1.GetPersonRequest) (*identityv1.Person, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "people")
	if err != nil {
		return nil, err
	}
	row, err := readPerson(ctx, s.db, ids[0], ids[1], "")
	if err != nil {
		return nil, err
	}
	return row.contract(), nil
}

// ListPeople returns a page of the nursery's people by name.
func (s *Service) ListPeople(ctx context.Context, request *identityv1.ListPeopleRequest) (*identityv1.ListPeopleResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	rows, err := listPeople(ctx, s.db, ids[0], page.Key(), page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(row personRow) []string { return []string{row.ID} })
	response := &identityv1.ListPeopleResponse{NextPageToken: next}
	for _, row := range rows {
		response.People = append(response.People, row.contract())
	}
	return response, nil
}

func (row nurseryRow) contract() *identityv1.Nursery {
	return &identityv1.Nursery{
		Name:         nurseryName(row.ID),
		DisplayName:  row.DisplayName,
		TimeZone:     row.Zone.String(),
		Jurisdiction: row.Jurisdiction,
		Address:      row.Address,
		OperatorId:   row.OperatorID,
		County:       row.County,

		EmergencyPhone: row.EmergencyPhone,
		EmergencyCare:  row.EmergencyCare,
		Etag:           rpc.ETag(row.version),
		CreateTime:     timestamppb.New(row.createTime),
	}
}

func (row personRow) contract() *identityv1.Person {
	person := &identityv1.Person{
		Name:        personName(row.nursery, row.ID),
		DisplayName: row.DisplayName,
		Role:        row.Role,
		Disabled:    row.Disabled,
		Etag:        rpc.ETag(row.version),
		CreateTime:  timestamppb.New(row.createTime),
	}
	for _, c := range row.Certificates {
		person.Certificates = append(person.Certificates, &identityv1.Certificate{
			Number: c.Number, Category: c.Category, ExpireDate: &typev1.Date{Value: c.ExpireDate},
		})
	}
	return person
}

// nurseryFrom reads a nursery of a request.
func nurseryFrom(id string, n *identityv1.Nursery) (Nursery, error) {
	location, err := zone("nursery.time_zone", n.GetTimeZone())
	if err != nil {
		return Nursery{}, err
	}
	if err := jurisdiction.Check(n.GetJurisdiction()); err != nil {
		return Nursery{}, fault.Field("nursery.jurisdiction", "%s", err).With("jurisdiction", n.GetJurisdiction())
	}
	nursery := Nursery{
		ID: id, DisplayName: n.GetDisplayName(), Zone: location, Jurisdiction: n.GetJurisdiction(), Address: n.GetAddress(),
		OperatorID: n.GetOperatorId(), County: n.GetCounty(),
		EmergencyPhone: n.GetEmergencyPhone(), EmergencyCare: n.GetEmergencyCare(),
	}
	return nursery, nursery.checkReported()
}

// personFrom reads a person of a request.
func personFrom(id string, p *identityv1.Person) (Person, error) {
	person := Person{ID: id, DisplayName: p.GetDisplayName(), Role: p.GetRole(), Disabled: p.GetDisabled()}
	for i, c := range p.GetCertificates() {
		if err := checkCertificate(fmt.Sprintf("person.certificates[%d]", i), c); err != nil {
			return Person{}, err
		}
		person.Certificates = append(person.Certificates, Certificate{
			Number: c.GetNumber(), Category: c.GetCategory(), ExpireDate: c.GetExpireDate().GetValue(),
		})
	}
	return person, nil
}
