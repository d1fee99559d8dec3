package schedule

import (
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	identityv1 "velamen/gen/velamen/identity/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/treatment"
)

// keptPin is a pin with what its row keeps beside it.
type keptPin struct {
	Pin
	note string
	// pinner is the id of a person.
	pinner  string
	created time.Time
}

// pinFromContract reads a pin. It refuses one that fixes nothing, one
// in the past and names that are none, by field. Whether what it names exists is not
// looked at.
func pinFromContract(message *schedulev1.Pin, now time.Time) (keptPin, error) {
	pin := keptPin{Pin: Pin{Job: message.GetJob()}, note: message.GetNote()}
	if _, err := pinnedJobOf("pin.job", pin.Job); err != nil {
		return keptPin{}, err
	}
	var err error
	if message.GetPerson() != "" {
		if pin.Person, err = lastID("pin.person", message.GetPerson(), "people"); err != nil {
			return keptPin{}, err
		}
	}
	if message.GetSprayer() != "" {
		if pin.Sprayer, err = lastID("pin.sprayer", message.GetSprayer(), "sprayers"); err != nil {
			return keptPin{}, err
		}
	}
	if message.GetStartTime() != nil {
		if message.GetStartTime().CheckValid() != nil {
			return keptPin{}, fault.Field("pin.start_time", "is not a time between the years 1 and 9999")
		}
		// Plans count whole minutes.
		pin.Start = message.GetStartTime().AsTime().Truncate(time.Minute)
		if pin.Start.Before(now) {
			return keptPin{}, fault.Field("pin.start_time", "is past: a job can only be pinned to a time to come").
				With("start_time", pin.Start.Format(time.RFC3339)).With("now", now.Format(time.RFC3339))
		}
	}
	if pin.Start.IsZero() && pin.Person == "" && pin.Sprayer == "" {
		return keptPin{}, fault.Field("pin", "fixes nothing: give a start, a person or a sprayer")
	}
	return pin, nil
}

// pinnedJob is what a job's name says: a step of a program, or a house whose routine
// inspection it is.
type pinnedJob struct{ program, step, house string }

func pinnedJobOf(field, name string) (pinnedJob, error) {
	step, err := resource.Parse(field, name, "nurseries", "programs", "steps")
	if err == nil {
		return pinnedJob{program: step[1], step: step[2]}, nil
	}
	house, err := resource.Parse(field, name, "nurseries", "houses")
	if err == nil {
		return pinnedJob{house: house[1]}, nil
	}
	return pinnedJob{}, fault.Field(field, "%q is no job: it is the name of a step, or of a house for its routine inspection", name).With("job", name)
}

// lastID returns the last id of a name in a collection of a nursery. That the nursery
// is the caller's own is seen to for every name of a request.
func lastID(field, name, collection string) (string, error) {
	ids, err := resource.Parse(field, name, "nurseries", collection)
	if err != nil {
		return "", err
	}
	return ids[1], nil
}

// refusePinnedPerson refuses a pin to somebody who is never given work.
func refusePinnedPerson(people []identity.Person, nursery, id string) error {
	name := resource.Of("nurseries", nursery, "people", id)
	i := slices.IndexFunc(people, func(p identity.Person) bool { return p.ID == id })
	switch {
	case i < 0:
		return fault.Field("pin.person", "there is no person %q", name).With("person", name)
	case people[i].Disabled:
		return fault.Field("pin.person", "%s does not work here any more", people[i].DisplayName).With("person", name)
	case people[i].Role == identityv1.Role_ROLE_AUDITOR:
		return fault.Field("pin.person", "%s is an auditor and is given no work", people[i].DisplayName).With("person", name)
	}
	return nil
}

// refusePinnedSprayer refuses a pin of work to a sprayer that can never do it. One that
// is out of service may be mended by then.
func refusePinnedSprayer(kind treatment.Kind, sprayer Sprayer) error {
	if !treatment.Applies(kind) {
		return fault.Field("pin.sprayer", "the job needs no sprayer: nothing is applied in it").With("sprayer", sprayer.ID)
	}
	// A step that applies chemical is called as the method is.
	text := strings.TrimPrefix(kind.String(), kindPrefix)
	method, err := products.ParseMethod(text)
	if err != nil {
		return err
	}
	if !slices.Contains(sprayer.Methods, method) {
		return fault.Field("pin.sprayer", "%s cannot be used for a %s", sprayer.DisplayName, strings.ToLower(text)).With("sprayer", sprayer.ID)
	}
	return nil
}

// refusePinnedStep refuses a pin of a step that nobody has to do.
func refusePinnedStep(step treatment.Step) error {
	switch step.Status {
	case treatment.Confirmed:
		return fault.Field("pin.job", "it is done already")
	case treatment.Dropped:
		return fault.Field("pin.job", "it was dropped: its program goes on without it")
	}
	if step.Kind == treatmentv1.StepKind_STEP_KIND_LAB_TEST || step.Kind == treatmentv1.StepKind_STEP_KIND_RELEASE {
		return fault.Field("pin.job", "nobody of the crew does it: it waits for a laboratory or for a manager")
	}
	return nil
}

// contract returns the pin as the contract carries it.
func (p keptPin) contract(nursery string) *schedulev1.Pin {
	message := &schedulev1.Pin{
		Job: p.Job, Note: p.note, Pinner: resource.Of("nurseries", nursery, "people", p.pinner), CreateTime: timestamppb.New(p.created),
	}
	if !p.Start.IsZero() {
		message.StartTime = timestamppb.New(p.Start)
	}
	if p.Person != "" {
		message.Person = resource.Of("nurseries", nursery, "people", p.Person)
	}
	if p.Sprayer != "" {
		message.Sprayer = sprayerName(nursery, p.Sprayer)
	}
	return message
}
