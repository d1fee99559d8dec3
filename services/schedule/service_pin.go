package schedule

import (
	"context"

	"github.com/jackc/pgx/v5"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/treatment"
)

// PinJob fixes the time, person or sprayer of a job for all plans to come.
func (s *Service) PinJob(ctx context.Context, request *schedulev1.PinJobRequest) (*schedulev1.Pin, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*schedulev1.Pin, error) {
		now := s.db.Now()
		pin, err := pinFromContract(request.GetPin(), now)
		if err != nil {
			return nil, err
		}
		if err := pin.refuseUnfit(ctx, tx, ids[0]); err != nil {
			return nil, err
		}
		pin.pinner, pin.created = caller.Person, now
		return pin.contract(ids[0]), setPin(ctx, tx, ids[0], pin)
	})
}

// refuseUnfit refuses a pin of a job that is not there any more, and one to a person or
// a sprayer that can never do it.
func (p keptPin) refuseUnfit(ctx context.Context, r postgres.Reader, nursery string) error {
	kind, err := p.kind(ctx, r, nursery)
	if err != nil {
		return err
	}
	if p.Person != "" {
		people, err := identity.ReadPeople(ctx, r, nursery)
		if err != nil {
			return err
		}
		if err := refusePinnedPerson(people, nursery, p.Person); err != nil {
			return err
		}
	}
	if p.Sprayer == "" {
		return nil
	}
	sprayer, err := readSprayer(ctx, r, nursery, p.Sprayer, "")
	if fault.Is(err, fault.NotFoundReason) {
		return fault.Field("pin.sprayer", "there is no sprayer %q", sprayerName(nursery, p.Sprayer)).With("sprayer", p.Sprayer)
	}
	if err != nil {
		return err
	}
	return refusePinnedSprayer(kind, sprayer.Sprayer)
}

// kind returns what is done in the job of a pin, or a NotFound fault.
func (p keptPin) kind(ctx context.Context, r postgres.Reader, nursery string) (treatment.Kind, error) {
	job, err := pinnedJobOf("pin.job", p.Job)
	if err != nil {
		return 0, err
	}
	if job.house != "" {
		_, err := houseCalled(ctx, r, nursery, job.house)
		return treatmentv1.StepKind_STEP_KIND_INSPECT, err
	}
	course, err := treatment.ReadCourse(ctx, r, nursery, job.program)
	if err != nil {
		return 0, err
	}
	step, found := course.Find(job.step)
	if !found {
		return 0, fault.Missing("step", p.Job)
	}
	return step.Kind, refusePinnedStep(step)
}

// UnpinJob ends a pin and returns it as it was.
func (s *Service) UnpinJob(ctx context.Context, request *schedulev1.UnpinJobRequest) (*schedulev1.Pin, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*schedulev1.Pin, error) {
		pin, found, err := removePin(ctx, tx, ids[0], request.GetJob())
		if err != nil {
			return nil, err
		}
		if !found {
			return nil, fault.Missing("pin of", request.GetJob())
		}
		return pin.contract(ids[0]), nil
	})
}

// ListPins returns the pins by job.
func (s *Service) ListPins(ctx context.Context, request *schedulev1.ListPinsRequest) (*schedulev1.ListPinsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	pins, err := listPins(ctx, s.db, ids[0], page.Key(), page.Size+1)
	if err != nil {
		return nil, err
	}
	pins, next := rpc.Cut(page, pins, func(pin keptPin) []string { return []string{pin.Job} })
	response := &schedulev1.ListPinsResponse{NextPageToken: next}
	for _, pin := range pins {
		response.Pins = append(response.Pins, pin.contract(ids[0]))
	}
	return response, nil
}
