package demo

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
)

// Server is a running velamen that the demo may fill.
type Server struct {
	// Conn reaches it.
	Conn grpc.ClientConnInterface
	// SetupKey is the key in its data folder.
	SetupKey string
	// Clock says what time it is.
	Clock clock.Clock
	// Out receives what happens, in plain words for a person.
	Out io.Writer
}

// say tells the person at the terminal; it is no matter if they went away.
func (s Server) say(format string, args ...any) { _, _ = fmt.Fprintf(s.Out, format+"\n", args...) }

// Seed fills a server with the invented nursery. It may be called again, on a
// server that is filled or half filled. It returns the first refusal.
func Seed(ctx context.Context, server Server) error {
	s, err := open(ctx, server)
	if err != nil {
		return err
	}
	seeded, err := s.seeded(ctx)
	if err != nil {
		return err
	}
	if seeded {
		server.say("The invented nursery %s is here already; it was set up on %s.", s.nursery.DisplayName, s.today.Format(time.DateOnly))
		return nil
	}
	server.say("Filling the invented nursery %s …", s.nursery.DisplayName)
	for _, part := range []func(context.Context) error{
		s.addPeople, s.addProducts, s.fillStore, s.importStock, s.addDeliveries, s.addLotEvents, s.addOutbreaks, s.addNotices, s.returnReleased, s.addScouting, s.addPlanning, s.addSprayers,
	} {
		if err := part(ctx); err != nil {
			return err
		}
	}
	return nil
}

// seeder fills one server.
type seeder struct {
	Server
	*people
	calendar
}

// open sets the nursery up, or finds it set up, and signs its owner in.
func open(ctx context.Context, server Server) (*seeder, error) {
	n, err := read()
	if err != nil {
		return nil, fmt.Errorf("the demo's own data: %w", err)
	}
	s := &seeder{Server: server, people: peopleOf(n, server.Conn)}
	owner := n.first(identityv1.Role_ROLE_OWNER)
	set, err := s.identity.SetUpNursery(ctx, &identityv1.SetUpNurseryRequest{
		NurseryId: n.ID,
		Nursery:   n.message(),
		OwnerId:   owner.ID, OwnerDisplayName: owner.DisplayName, OwnerPassword: owner.Password,
		SetupKey: server.SetupKey, RequestId: requestID("nursery"),
	})
	// A folder that an earlier version filled a short while ago knows the request with what
	// the nursery was then.
	setUpLongAgo := status.Code(err) == codes.AlreadyExists || hasReason(err, fault.RequestIDReused)
	if err != nil && !setUpLongAgo {
		return nil, fmt.Errorf("set the nursery up: %w", err)
	}
	if err := s.signIn(ctx, owner); err != nil {
		return nil, err
	}
	if setUpLongAgo {
		// The server has forgotten the answer to the request that set it up.
		set, err = s.identity.GetNursery(s.as(ctx, owner.ID), &identityv1.GetNurseryRequest{Name: s.name()})
		if err != nil {
			return nil, err
		}
	}
	zone, err := time.LoadLocation(n.TimeZone)
	if err != nil {
		return nil, err
	}
	s.calendar = newCalendar(set.GetCreateTime().AsTime(), zone)
	return s, nil
}

// seeded reports whether the last thing that seeding adds is there.
func (s *seeder) seeded(ctx context.Context) (bool, error) {
	last := s.nursery.Sprayers[len(s.nursery.Sprayers)-1]
	owner := s.nursery.first(identityv1.Role_ROLE_OWNER)
	_, err := s.schedule.GetSprayer(s.as(ctx, owner.ID), &schedulev1.GetSprayerRequest{Name: s.name("sprayers", last.ID)})
	if status.Code(err) == codes.NotFound {
		return false, nil
	}
	return err == nil, err
}

func (s *seeder) addPeople(ctx context.Context) error {
	owner := s.nursery.first(identityv1.Role_ROLE_OWNER)
	for _, who := range s.nursery.People {
		if who.ID == owner.ID {
			continue
		}
		_, err := s.identity.CreatePerson(s.as(ctx, owner.ID), &identityv1.CreatePersonRequest{
			Parent: s.parent(), PersonId: who.ID, Password: who.Password, RequestId: requestID("people", who.ID),
			Person: &identityv1.Person{DisplayName: who.DisplayName, Role: who.role(), Certificates: s.certificates(who)},
		})
		if err != nil {
			return fmt.Errorf("add %s: %w", who.DisplayName, err)
		}
		if err := s.qualify(ctx, who); err != nil {
			return err
		}
	}
	s.say("  %d people", len(s.nursery.People))
	return s.signAllIn(ctx)
}

// qualify records what a person was trained for, cleared for and given.
func (s *seeder) qualify(ctx context.Context, who person) error {
	owner := s.nursery.first(identityv1.Role_ROLE_OWNER)
	for i, held := range who.Qualifications {
		message, err := held.message(s.calendar)
		if err == nil {
			_, err = s.identity.RecordQualification(s.as(ctx, owner.ID), &identityv1.RecordQualificationRequest{
				Parent: s.person(who.ID), Qualification: message, RequestId: requestID("qualifications", who.ID, strconv.Itoa(i)),
			})
		}
		if err != nil {
			return fmt.Errorf("qualification %d of %s: %w", i, who.DisplayName, err)
		}
	}
	return nil
}

// message returns what a person was given as the contract carries it.
func (q qualification) message(days calendar) (*identityv1.Qualification, error) {
	kind, known := identityv1.QualificationKind_value["QUALIFICATION_KIND_"+q.Kind]
	if !known {
		return nil, fmt.Errorf("%q is no kind of qualification", q.Kind)
	}
	message := &identityv1.Qualification{
		Kind: identityv1.QualificationKind(kind), Date: &typev1.Date{Value: days.date(q.Given)}, Description: q.Description, Provider: q.Provider,
	}
	if q.Until != nil {
		message.EndDate = &typev1.Date{Value: days.date(*q.Until)}
	}
	return message, nil
}

func (s *seeder) certificates(who person) []*identityv1.Certificate {
	var certificates []*identityv1.Certificate
	for _, held := range who.Certificates {
		certificates = append(certificates, &identityv1.Certificate{
			Number: held.Number, Category: held.Category, ExpireDate: &typev1.Date{Value: s.date(held.Expires)},
		})
	}
	return certificates
}

func (s *seeder) manager() person { return s.nursery.first(identityv1.Role_ROLE_MANAGER) }

func (s *seeder) addProducts(ctx context.Context) error {
	for _, product := range s.nursery.products {
		message, err := product.message()
		if err != nil {
			return fmt.Errorf("product %s: %w", product.ID, err)
		}
		_, err = s.products.CreateProduct(s.as(ctx, s.manager().ID), &productsv1.CreateProductRequest{
			Parent: s.parent(), ProductId: product.ID, Product: message, RequestId: requestID("products", product.ID),
		})
		if err != nil {
			return fmt.Errorf("add the product %s: %w", product.ID, err)
		}
	}
	s.say("  %d products with invented labels; never apply anything by them", len(s.nursery.products))
	return nil
}

// addSprayers comes last: where the last sprayer is, all else is.
func (s *seeder) addSprayers(ctx context.Context) error {
	for _, sprayer := range s.nursery.Sprayers {
		message, err := sprayer.message()
		if err != nil {
			return fmt.Errorf("sprayer %s: %w", sprayer.ID, err)
		}
		_, err = s.schedule.CreateSprayer(s.as(ctx, s.manager().ID), &schedulev1.CreateSprayerRequest{
			Parent: s.parent(), SprayerId: sprayer.ID, Sprayer: message, RequestId: requestID("sprayers", sprayer.ID),
		})
		if err != nil {
			return fmt.Errorf("add the sprayer %s: %w", sprayer.ID, err)
		}
	}
	s.say("  %d sprayers and bath stations", len(s.nursery.Sprayers))
	return nil
}
