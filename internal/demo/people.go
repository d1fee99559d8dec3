package demo

import (
	"context"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/resource"
)

// people are the services as the people of the nursery reach them.
type people struct {
	nursery *nursery
	tokens  map[string]string

	identity  identityv1.IdentityServiceClient
	stock     stockv1.StockServiceClient
	diagnosis diagnosisv1.DiagnosisServiceClient
	products  productsv1.ProductsServiceClient
	treatment treatmentv1.TreatmentServiceClient
	schedule  schedulev1.ScheduleServiceClient
	records   recordsv1.RecordsServiceClient
}

func peopleOf(n *nursery, conn grpc.ClientConnInterface) *people {
	return &people{
		nursery: n, tokens: map[string]string{},
		identity:  identityv1.NewIdentityServiceClient(conn),
		stock:     stockv1.NewStockServiceClient(conn),
		diagnosis: diagnosisv1.NewDiagnosisServiceClient(conn),
		products:  productsv1.NewProductsServiceClient(conn),
		treatment: treatmentv1.NewTreatmentServiceClient(conn),
		schedule:  schedulev1.NewScheduleServiceClient(conn),
		records:   recordsv1.NewRecordsServiceClient(conn),
	}
}

// signIn signs a person in, once.
func (p *people) signIn(ctx context.Context, who person) error {
	if p.tokens[who.ID] != "" {
		return nil
	}
	answer, err := p.identity.SignIn(ctx, &identityv1.SignInRequest{Person: p.person(who.ID), Password: who.Password})
	if status.Code(err) == codes.Unauthenticated {
		return fmt.Errorf("%s cannot sign in with the demo's password; it was changed, so start with another data folder: %w", who.DisplayName, err)
	}
	if err != nil {
		return fmt.Errorf("sign %s in: %w", who.DisplayName, err)
	}
	p.tokens[who.ID] = answer.GetToken()
	return nil
}

func (p *people) signAllIn(ctx context.Context) error {
	for _, who := range p.nursery.People {
		if err := p.signIn(ctx, who); err != nil {
			return err
		}
	}
	return nil
}

// as returns a context in which a person who is signed in makes calls.
func (p *people) as(ctx context.Context, id string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+p.tokens[id])
}

// name returns a resource name in the nursery.
func (p *people) name(parts ...string) string {
	return resource.Of(append([]string{"nurseries", p.nursery.ID}, parts...)...)
}

func (p *people) person(id string) string { return p.name("people", id) }
func (p *people) lot(id string) string    { return p.name("lots", id) }
func (p *people) parent() string          { return p.name() }

func (p *people) lotNames(ids []string) []string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = p.lot(id)
	}
	return names
}

// house returns the house of a place written house/bench.
func (p *people) house(place string) string {
	house, _, _ := strings.Cut(place, "/")
	return p.name("houses", house)
}

// bench returns the bench of a place written house/bench.
func (p *people) bench(place string) string {
	house, bench, _ := strings.Cut(place, "/")
	return p.name("houses", house, "benches", bench)
}

// namespace is where the request ids of the demo come from.
var namespace = uuid.NewSHA1(uuid.NameSpaceURL, []byte("velamen/demo"))

// requestID returns the request id of a change: always the same for the same
// thing, so that repeating a change returns its first answer.
func requestID(what ...string) string {
	return uuid.NewSHA1(namespace, []byte(strings.Join(what, "/"))).String()
}
