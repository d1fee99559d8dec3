package schedule

import (
	"encoding/hex"
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/resource"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
	"velamen/services/treatment"
)

// planRow is a day plan as it is kept.
type planRow struct {
	nursery, id string
	number      int64
	state       schedulev1.DayPlanState
	// reason says why it was made, as people read it.
	reason       string
	horizonDays  int
	solveSeconds int
	seed         int64
	progress
	// body is the plan without what the other fields hold; nil before it is proposed.
	body     *schedulev1.DayPlan
	planHash []byte
	// before is the id of the plan that people were told before; empty when none.
	before  string
	failure string
	created time.Time
	// solved and decided are zero until then.
	solved, decided time.Time
	// decider is the id of a person.
	decider string
	version int64
}

// progress is how far the working out of a plan has come. It is kept after every
// segment, so that another process goes on where this one was killed.
type progress struct {
	// readTime is when what it depends on was read; zero before that.
	readTime  time.Time
	engine    string
	inputHash []byte
	// attempt counts how often the rules refused what was found, and learnt is what
	// they said.
	attempt int
	learnt  []learnt
	// segment counts the segments of the search that are done in this attempt, idle
	// those at the end that brought nothing, rounds the rounds in them.
	segment, idle, rounds int
	spent                 time.Duration
	// found is true when there is a plan; best is the best so far, optimal is true
	// when none is better.
	found, optimal bool
	best           model.Plan
	// planned and leftOut count jobs.
	planned, leftOut int
	// cost and bound are those of best.
	cost  costs
	bound costs
}

// costs is what a plan leaves out and costs, or the least that any does.
type costs struct {
	// skipped is the weights of jobs left out, total the sum of the terms in
	// millionths.
	skipped, total int64
}

// learnt is a rule of the trade that refused a job of an earlier attempt.
type learnt struct {
	Job string `json:"job"`
	// Text is what the rule said.
	Text string `json:"text"`
	// Start and End are when the job may not be done.
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
	// Out is true when the job is left out for it.
	Out bool `json:"out,omitempty"`
}

// ruleAttempts is how often the search is asked for another time for a job that a
// rule refuses, before the job is left out. Design value.
const ruleAttempts = 3

// with returns the input with what the rules said in earlier attempts. The input
// itself is left as it is.
func (in Input) with(all []learnt) Input {
	in.Work = slices.Clone(in.Work)
	for i := range in.Work {
		work := &in.Work[i]
		for _, l := range all {
			switch {
			case l.Job != work.Job:
			case l.Out:
				work.Impossible = l.Text
			case work.Chemical != nil:
				chemical := *work.Chemical
				chemical.Forbidden = append(slices.Clone(chemical.Forbidden), Closure{Start: l.Start, End: l.End})
				work.Chemical = &chemical
			}
		}
	}
	return in
}

// planName returns the name of a day plan.
func planName(nursery, id string) string { return resource.Of("nurseries", nursery, "dayPlans", id) }

// triggerLength is how long the reason of a plan may be, in bytes.
const triggerLength = 400

// joinReasons makes one reason of several, each once, in their order.
func joinReasons(reasons []string) string {
	var each []string
	for _, reason := range reasons {
		if !slices.Contains(each, reason) {
			each = append(each, reason)
		}
	}
	for n := len(each); n > 1; n-- {
		joined := strings.Join(each[:n], "; ")
		if rest := len(each) - n; rest > 0 {
			joined += fmt.Sprintf("; and %d more", rest)
		}
		if len(joined) <= triggerLength {
			return joined
		}
	}
	if len(each) == 0 {
		return "something changed"
	}
	return strings.ToValidUTF8(each[0][:min(len(each[0]), triggerLength)], "")
}

// contract returns the plan as the contract carries it, without its etag.
func (row *planRow) contract() *schedulev1.DayPlan {
	plan := &schedulev1.DayPlan{}
	if row.body != nil {
		plan = proto.CloneOf(row.body)
	}
	plan.Name, plan.State, plan.Trigger = planName(row.nursery, row.id), row.state, row.reason
	plan.Seed, plan.Failure, plan.CreateTime = row.seed, row.failure, timestamppb.New(row.created)
	plan.Caution = treatment.Caution
	if row.before != "" {
		plan.Before = planName(row.nursery, row.before)
	}
	if !row.solved.IsZero() {
		plan.SolveTime = timestamppb.New(row.solved)
	}
	if row.body != nil {
		plan.Rounds, plan.Engine = int32(row.rounds), row.engine
		plan.InputHash, plan.PlanHash = hex.EncodeToString(row.inputHash), hex.EncodeToString(row.planHash)
	}
	if !row.decided.IsZero() {
		plan.DecideTime = timestamppb.New(row.decided)
		plan.Decider = resource.Of("nurseries", row.nursery, "people", row.decider)
	}
	return plan
}

// head returns a plan without its jobs, for lists.
func head(plan *schedulev1.DayPlan) *schedulev1.DayPlan {
	short := proto.CloneOf(plan)
	short.Jobs, short.Unplanned, short.TankLoads, short.Breakdowns, short.Removed = nil, nil, nil, nil, nil
	return short
}

// watched returns how far the plan has come, as those who wait for it see it.
func (row *planRow) watched() *schedulev1.WatchDayPlanResponse {
	response := &schedulev1.WatchDayPlanResponse{
		State: row.state, Rounds: int32(row.rounds), Planned: int32(row.planned), Unplanned: int32(row.leftOut), Failure: row.failure,
	}
	if !row.found {
		return response
	}
	response.Points = points(row.cost.total)
	response.Gap = gap(row.cost, row.bound)
	if row.cost.skipped <= row.bound.skipped {
		response.Bound = points(row.bound.total)
		response.BoundOfSameUnplanned = row.body.GetBoundOfSameUnplanned()
	}
	return response
}

func costsOf(score model.Score) costs { return costs{score.Skipped, score.Total()} }

func boundsOf(b bound.Bounds) costs { return costs{b.Skipped, b.Total} }

// gap says by how much a plan can be worse than the best there is, in percent of
// the bound, rounded up to one place. It is "unknown" where the bound is 0 and the
// cost is not, and where the plan leaves out more than the bound supposes.
func gap(cost, least costs) string {
	switch {
	case cost.skipped > least.skipped:
		return "unknown"
	case cost.total <= least.total:
		return "0.0"
	case least.total <= 0:
		return "unknown"
	}
	thousandths := new(big.Int).Mul(big.NewInt(cost.total-least.total), big.NewInt(1000))
	tenths, rest := new(big.Int).QuoRem(thousandths, big.NewInt(least.total), new(big.Int))
	if rest.Sign() > 0 {
		tenths.Add(tenths, big.NewInt(1))
	}
	whole, tenth := new(big.Int).QuoRem(tenths, big.NewInt(10), new(big.Int))
	return fmt.Sprintf("%s.%s", whole, tenth)
}

// points writes millionths of a point, which may be below zero, as an exact decimal.
func points(millionths int64) string {
	if millionths < 0 {
		return "-" + points(-millionths)
	}
	whole, rest := millionths/1_000_000, millionths%1_000_000
	if rest == 0 {
		return strconv.FormatInt(whole, 10)
	}
	return strings.TrimRight(fmt.Sprintf("%d.%06d", whole, rest), "0")
}
