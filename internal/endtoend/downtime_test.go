package endtoend

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func TestAnAlarmThatWasDueWhileTheServerWasDownIsRaisedAfterIt(t *testing.T) {
	i := newInstall(t)
	i.up()
	n := settle(i)
	// The contact spray is overdue 18 days after the systemic one.
	const overdueIn = 15 * time.Second
	program, err := n.newProgram("phyllosticta-leaf-spot", "leaf-spots", upToContact(18*day-overdueIn)...)
	require.NoError(t, err)
	contact := stepOf(program, "contact-1")
	require.NotNil(t, contact)
	overdue := contact.GetOverdueTime().AsTime()
	require.Equal(t, []string{"step_opened contact-1"}, n.alarms(program.GetName(), 1))

	require.True(t, time.Now().Before(overdue), "the server goes down before the alarm is due")
	i.kill()
	time.Sleep(time.Until(overdue)) // the moment itself, not something that happens about then
	down := time.Now()
	i.up()
	require.Equal(t, []string{"step_opened contact-1", "step_overdue contact-1"}, n.alarms(program.GetName(), 2))
	events, err := n.events(program.GetName())
	require.NoError(t, err)
	require.True(t, events[len(events)-1].GetEventTime().AsTime().After(down), "it was raised after the restart")

	temporal := i.temporal()
	defer temporal.Close()
	eventually(t, settleWithin, func() error { return n.agrees(temporal, program.GetName()) })
	i.stop(stopWithin)
}

func stepOf(program *treatmentv1.Program, step string) *treatmentv1.Step {
	for _, s := range program.GetSteps() {
		if s.GetName() == program.GetName()+"/steps/"+step {
			return s
		}
	}
	return nil
}

// alarms waits until a program has had so many alarms and returns them.
func (n *nursery) alarms(program string, count int) []string {
	n.t.Helper()
	var alarms []string
	eventually(n.t, settleWithin, func() error {
		events, err := n.events(program)
		if err != nil {
			return err
		}
		alarms = nil
		for _, event := range events {
			switch event.GetKind() {
			case "step_opened", "step_overdue", "step_escalated":
				alarms = append(alarms, event.GetKind()+" "+event.GetStep()[strings.LastIndexByte(event.GetStep(), '/')+1:])
			}
		}
		if len(alarms) < count {
			return fmt.Errorf("%s has had the alarms %q, not %d yet", program, alarms, count)
		}
		return nil
	})
	return alarms
}
