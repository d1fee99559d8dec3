package endtoend

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/stretchr/testify/require"
	enumspb "go.temporal.io/api/enums/v1"
	"go.temporal.io/sdk/client"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/engine"
)

// position is what a program's workflow answers to the query "position": its
// state by the JSON names that running programs carry.
type position struct {
	State struct {
		Status   string         `json:"status"`
		Round    int32          `json:"round"`
		Sequence int64          `json:"sequence"`
		Steps    []positionStep `json:"steps"`
	} `json:"state"`
}

type positionStep struct {
	Key         string `json:"key"`
	Round       int32  `json:"round"`
	Status      string `json:"status"`
	Attempts    int32  `json:"attempts"`
	Clean       int32  `json:"clean"`
	Escalations int32  `json:"escalations"`
}

// queryWithin bounds one query. A workflow whose worker was killed at work does
// not answer before the time of that work is over.
const queryWithin = 2 * time.Second

// temporal connects to the Temporal server of the running velamen.
func (i *install) temporal() client.Client {
	i.t.Helper()
	c, err := engine.Dial(context.Background(), engine.Options{Address: i.temporalAddress()})
	require.NoError(i.t, err)
	return c
}

// workflowID is how a program's workflow is found.
func workflowID(program string) string {
	return "program/test/" + program[strings.LastIndexByte(program, '/')+1:]
}

// agrees returns an error while the workflow of a program does not stand where
// the program does.
func (n *nursery) agrees(c client.Client, program string) error {
	stored, err := read(n.worker, n.treatment.GetProgram, &treatmentv1.GetProgramRequest{Name: program})
	if err != nil {
		return err
	}
	events, err := n.events(program)
	if err != nil {
		return err
	}
	held, err := queryPosition(c, program)
	if err != nil {
		return err
	}
	want, got := describe(stored, int64(len(events))), held.describe()
	if want != got {
		return fmt.Errorf("program %s stands at\n%sbut its workflow at\n%s", program, want, got)
	}
	return n.endsWith(c, stored)
}

// endsWith returns an error while a workflow runs on without its program, or has
// ended before it.
func (n *nursery) endsWith(c client.Client, program *treatmentv1.Program) error {
	ctx, cancel := context.WithTimeout(context.Background(), attemptWithin)
	defer cancel()
	described, err := c.DescribeWorkflowExecution(ctx, workflowID(program.GetName()), "")
	if err != nil {
		return err
	}
	want := enumspb.WORKFLOW_EXECUTION_STATUS_RUNNING
	if program.GetEndTime() != nil {
		want = enumspb.WORKFLOW_EXECUTION_STATUS_COMPLETED
	}
	if got := described.GetWorkflowExecutionInfo().GetStatus(); got != want {
		return fmt.Errorf("program %s is %s, but its workflow %s", program.GetName(), program.GetState(), got)
	}
	return nil
}

func queryPosition(c client.Client, program string) (position, error) {
	ctx, cancel := context.WithTimeout(context.Background(), queryWithin)
	defer cancel()
	var held position
	value, err := c.QueryWorkflow(ctx, workflowID(program), "", "position")
	if err != nil {
		return held, fmt.Errorf("query the workflow of %s: %w", program, err)
	}
	return held, value.Get(&held)
}

// describe writes a program's position so that two can be compared and read.
func describe(program *treatmentv1.Program, sequence int64) string {
	var text strings.Builder
	state := strings.TrimPrefix(program.GetState().String(), "PROGRAM_STATE_")
	fmt.Fprintf(&text, "  %s, round %d, event %d\n", state, program.GetRound(), sequence)
	for _, step := range program.GetSteps() {
		state := strings.TrimPrefix(step.GetState().String(), "STEP_STATE_")
		if state == "SCHEDULED" || state == "OPEN" || state == "OVERDUE" {
			state = "READY" // which of these it is follows from the clock
		}
		fmt.Fprintf(&text, "  %s-%d %s: %d attempts, %d clean, %d escalations\n",
			step.GetKey(), step.GetRound(), state, step.GetAttempts(), step.GetCleanCount(), step.GetEscalations())
	}
	return text.String()
}

func (p position) describe() string {
	var text strings.Builder
	fmt.Fprintf(&text, "  %s, round %d, event %d\n", p.State.Status, p.State.Round, p.State.Sequence)
	for _, step := range p.State.Steps {
		fmt.Fprintf(&text, "  %s-%d %s: %d attempts, %d clean, %d escalations\n",
			step.Key, step.Round, step.Status, step.Attempts, step.Clean, step.Escalations)
	}
	return text.String()
}
