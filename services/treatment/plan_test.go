package treatment

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestWhatFollowsIsFoundInATemplateWithManyWays(t *testing.T) {
	plan := Plan{}
	for i := range 60 {
		step := PlanStep{Key: fmt.Sprintf("s-%d", i)}
		for j := max(0, i-10); j < i; j++ {
			step.After = append(step.After, Interval{Key: fmt.Sprintf("s-%d", j)})
		}
		plan.Steps = append(plan.Steps, step)
	}
	require.True(t, plan.follows("s-59", "s-0"))
	require.False(t, plan.follows("s-59", "s-none"))
	require.False(t, plan.follows("s-0", "s-59"))
	require.False(t, plan.follows("s-7", "s-7"))
}
