package schedule

import (
	"context"
	"fmt"
	"strings"
	"time"

	"velamen/services/schedule/conflict"
)

// pinsExplained is how long is looked for what pins clash with. Design value.
const pinsExplained = 5 * time.Second

// pinsThatClash says which pinned jobs a plan cannot keep, and with what they clash.
func (c *compiled) pinsThatClash(ctx context.Context, broken []int32) error {
	ctx, cancel := context.WithTimeout(ctx, pinsExplained)
	defer cancel()
	names := make([]string, len(broken))
	for i, j := range broken {
		names[i] = fmt.Sprintf("%q (%s)", c.problem.Jobs[j].Name, shortJob(c.jobs[j]))
	}
	text := fmt.Sprintf("no plan was found that keeps every pin: %s cannot stand as pinned.", strings.Join(names, ", "))
	for _, found := range conflict.Explain(ctx, c.problem, broken, c.local) {
		for _, requirement := range found.Requirements {
			text += " " + requirement.Text
		}
	}
	return refusal(text + " Unpin one of the jobs or pin it elsewhere.")
}
