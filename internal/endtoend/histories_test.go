package endtoend

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	enumspb "go.temporal.io/api/enums/v1"
	historypb "go.temporal.io/api/history/v1"
	taskqueuepb "go.temporal.io/api/taskqueue/v1"
	"go.temporal.io/api/temporalproto"
	"google.golang.org/protobuf/reflect/protoreflect"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// historyFolder holds the histories that services/treatment replays.
const historyFolder = "../../services/treatment/testdata/histories"

// pausesToContinue is how often a program is paused and resumed until its
// workflow, after 500 events, goes on in a new run.
const pausesToContinue = 251

// TestSaveHistories records how real programs ran on a real server, for the
// replay test of services/treatment. It adds histories and never replaces one: a
// change of the workflow under which an old history no longer replays is wrong.
func TestSaveHistories(t *testing.T) {
	if os.Getenv("VELAMEN_SAVE_HISTORIES") != "1" {
		t.Skip("set VELAMEN_SAVE_HISTORIES=1 to add the histories of new cases")
	}
	i := newInstall(t)
	i.up()
	n := settle(i)
	n.publishShortTemplate()
	for _, test := range []struct {
		name string
		run  func(p *played)
	}{
		{"released", (*played).released},
		{"entered-late", (*played).enteredLate},
		{"opened-by-timer", (*played).openedByTimer},
		{"recurred", (*played).recurred},
		{"given-up", (*played).givenUp},
		{"cut-back-in-vain", (*played).cutBackInVain},
		{"paused", (*played).paused},
		{"amended", (*played).amended},
		{"continued", (*played).continued},
	} {
		if recorded(t, historyFolder, test.name) {
			t.Logf("%s is recorded already", test.name)
			continue
		}
		p := &played{nursery: n}
		test.run(p)
		p.save(test.name)
	}
	i.stop(stopWithin)
}

func recorded(t *testing.T, folder, name string) bool {
	t.Helper()
	_, err := os.Stat(filepath.Join(folder, name+".json"))
	if !errors.Is(err, fs.ErrNotExist) {
		require.NoError(t, err)
	}
	return err == nil
}

// played is a program that is played through.
type played struct {
	*nursery
	program string
	// raised counts the alarms that were waited for.
	raised int
}

// publishShortTemplate publishes a template whose steps may follow each other at
// once, so that a program can be released on the day it starts.
func (n *nursery) publishShortTemplate() {
	n.t.Helper()
	template := must(n, n.manager, n.treatment.GetTemplate, &treatmentv1.GetTemplateRequest{Name: name("templates/leaf-spots")})
	template.Name = name("templates/short")
	for _, step := range template.GetSteps() {
		step.CleanApartHours = 0
		for _, interval := range step.GetIntervals() {
			interval.MinHours = 0
		}
	}
	must(n, n.manager, n.treatment.PublishTemplate, &treatmentv1.PublishTemplateRequest{Template: template, RequestId: id()})
}

// start starts a program and waits for its first alarms.
func (p *played) start(disorder, template string, alarms int, past ...work) {
	p.t.Helper()
	program, err := p.newProgram(disorder, template, past...)
	require.NoError(p.t, err)
	p.program = program.GetName()
	p.await(alarms)
}

// confirm confirms a step and waits for the alarms that follow.
func (p *played) confirm(w work, alarms int) {
	p.t.Helper()
	must(p.nursery, p.worker, p.treatment.ConfirmStep, confirmRequest(p.program, w))
	p.await(alarms)
}

// await waits for more alarms, so that every run of a case is like another.
func (p *played) await(more int) {
	p.t.Helper()
	p.raised += more
	p.alarms(p.program, p.raised)
	c := p.temporal()
	defer c.Close()
	eventually(p.t, settleWithin, func() error { return p.agrees(c, p.program) })
}

func (p *played) released() {
	p.start("phyllosticta-leaf-spot", "short", 1)
	for _, step := range []string{"isolate-1", "disinfect-1", "prune-1", "systemic-1", "contact-1", "inspection-1", "inspection-1"} {
		p.confirm(work{step: step}, 1)
	}
	p.confirm(work{step: "release-1"}, 0)
}

func (p *played) enteredLate() {
	p.start("phyllosticta-leaf-spot", "leaf-spots", 2, upToContact(19*day)...)
	p.confirm(work{step: "contact-1"}, 0)
}

func (p *played) openedByTimer() {
	p.start("anthracnose", "leaf-spots", 0, upToContact(12*day-10*time.Second)...)
	p.await(1)
	p.confirm(work{step: "contact-1"}, 0)
}

func (p *played) recurred() {
	p.start("cercospora-leaf-spot", "short", 1, upToContact(14*day)...)
	p.confirm(work{step: "contact-1"}, 1)
	p.confirm(work{step: "inspection-1", change: newSpots}, 1)
	p.confirm(work{step: "disinfect-2"}, 1)
	p.confirm(work{step: "prune-2"}, 1)
	p.confirm(work{step: "systemic-2", change: anotherGroup}, 1)
	p.confirm(work{step: "contact-2"}, 1)
	p.confirm(work{step: "inspection-2"}, 1)
	p.confirm(work{step: "inspection-2"}, 1)
	p.confirm(work{step: "release-2"}, 0)
}

func (p *played) givenUp() {
	p.start("septoria-leaf-spot", "leaf-spots", 1)
	p.confirm(work{step: "isolate-1"}, 1)
	p.giveUpAndDiscard()
}

func (p *played) giveUpAndDiscard() {
	must(p.nursery, p.manager, p.treatment.GiveUpProgram, &treatmentv1.GiveUpProgramRequest{Name: p.program, Note: "not worth it", RequestId: id()})
	p.await(1)
	p.confirm(work{step: "discard-1"}, 0)
}

// cutBackInVain cuts as often as the template allows and never to clean tissue.
func (p *played) cutBackInVain() {
	p.start("fusarium-wilt", "vascular-wilt", 1)
	p.confirm(work{step: "isolate-1"}, 1)
	p.confirm(work{step: "disinfect-1"}, 1)
	for range 6 {
		p.confirm(work{step: "cut-back-1", change: stained}, 1)
	}
	p.confirm(work{step: "discard-1"}, 0)
}

func (p *played) paused() {
	p.start("phyllosticta-leaf-spot", "leaf-spots", 1)
	p.pause()
	p.await(0)
	p.resume()
	p.await(0)
	p.confirm(work{step: "isolate-1"}, 1)
}

func (p *played) pause() {
	must(p.nursery, p.manager, p.treatment.PauseProgram, &treatmentv1.PauseProgramRequest{Name: p.program, Note: "strike", RequestId: id()})
}

func (p *played) resume() {
	must(p.nursery, p.manager, p.treatment.ResumeProgram, &treatmentv1.ResumeProgramRequest{Name: p.program, RequestId: id()})
}

func (p *played) amended() {
	p.start("phyllosticta-leaf-spot", "leaf-spots", 1)
	joins, err := p.newLot()
	require.NoError(p.t, err)
	p.amend(&treatmentv1.AmendProgramRequest{AddLots: []string{joins}})
	p.confirm(work{step: "isolate-1"}, 1)
	p.amend(&treatmentv1.AmendProgramRequest{RemoveLots: []string{joins}})
	p.giveUpAndDiscard()
}

func (p *played) amend(request *treatmentv1.AmendProgramRequest) {
	request.Name, request.Note, request.RequestId = p.program, "stands next to it", id()
	must(p.nursery, p.manager, p.treatment.AmendProgram, request)
	p.await(0)
}

// continued has so many events that the workflow goes on in a new run.
func (p *played) continued() {
	p.start("phyllosticta-leaf-spot", "leaf-spots", 1)
	for range pausesToContinue {
		p.pause()
		p.resume()
	}
	p.await(0)
	p.confirm(work{step: "isolate-1"}, 1)
}

// save writes the history of the program's workflow.
func (p *played) save(name string) {
	p.t.Helper()
	p.saveHistory(historyFolder, name, workflowID(p.program))
}

// saveHistory writes the history of a workflow, and those of the runs that it
// continues beside it.
func (i *install) saveHistory(folder, name, workflow string) {
	i.t.Helper()
	history := i.history(workflow, "")
	file := name
	for {
		before := history.GetEvents()[0].GetWorkflowExecutionStartedEventAttributes().GetContinuedExecutionRunId()
		anonymise(history.ProtoReflect())
		write(i.t, folder, file, history)
		if before == "" {
			return
		}
		history, file = i.history(workflow, before), file+"-run-before"
	}
}

func (i *install) history(workflow, runID string) *historypb.History {
	i.t.Helper()
	c := i.temporal()
	defer c.Close()
	ctx, cancel := context.WithTimeout(context.Background(), attemptWithin)
	defer cancel()
	history := &historypb.History{}
	events := c.GetWorkflowHistory(ctx, workflow, runID, false, enumspb.HISTORY_EVENT_FILTER_TYPE_ALL_EVENT)
	for events.HasNext() {
		event, err := events.Next()
		require.NoError(i.t, err)
		history.Events = append(history.Events, event)
	}
	return history
}

// write adds a history. A file that is there is never replaced.
func write(t testing.TB, folder, name string, history *historypb.History) {
	t.Helper()
	body, err := temporalproto.CustomJSONMarshalOptions{Indent: " "}.Marshal(history)
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(folder, 0o755))
	file, err := os.OpenFile(filepath.Join(folder, name+".json"), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	require.NoError(t, err)
	_, err = file.Write(append(body, '\n'))
	require.NoError(t, errors.Join(err, file.Close()))
	t.Logf("%s: %d events", name, len(history.GetEvents()))
}

// anonymise takes the names of the machine and the process out of a history.
func anonymise(message protoreflect.Message) {
	if queue, ok := message.Interface().(*taskqueuepb.TaskQueue); ok && queue.GetKind() == enumspb.TASK_QUEUE_KIND_STICKY {
		queue.Name = queue.GetNormalName() + "-sticky"
	}
	message.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case field.Name() == "identity" && field.Kind() == protoreflect.StringKind:
			message.Set(field, protoreflect.ValueOfString("velamen"))
		case field.IsMap() || field.Kind() != protoreflect.MessageKind:
		case field.IsList():
			for i := range value.List().Len() {
				anonymise(value.List().Get(i).Message())
			}
		default:
			anonymise(value.Message())
		}
		return true
	})
}
