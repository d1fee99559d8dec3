package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

//go:embed cross.mzn
var crossModel []byte

const (
	// crossProblems is how many small random problems are compared.
	crossProblems = 40
	// crossLimit is how long the other solver gets for one problem.
	crossLimit = time.Minute
	// crossSearch is how long the search gets.
	crossSearch = 2 * time.Second
	// whole is the millionths of one unit of cost.
	whole = 1_000_000
)

// crossCheck compares the search with the optimum that another solver finds with a
// model of its own.
func crossCheck(ctx context.Context, program string, w io.Writer) error {
	folder, err := os.MkdirTemp("", "velamen-cross-")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(folder) }()
	if err := os.WriteFile(filepath.Join(folder, "cross.mzn"), crossModel, 0o600); err != nil {
		return err
	}
	c := &crossing{program: program, folder: folder, t: &table{w: w}}
	for _, name := range []string{"ft06", "la01", "j301_1", "UBO10 psp2"} {
		c.compare(ctx, name, benchmark.Named(name).Problem)
	}
	for i := range uint64(crossProblems) {
		c.compare(ctx, fmt.Sprintf("random %d", i), plain(i))
	}
	c.t.line("%d agree, %d differ, %d the other solver did not finish.", c.agree, len(c.differ), c.open)
	if c.agree == 0 {
		c.differ = append(c.differ, errors.New("nothing was compared"))
	}
	return errors.Join(append(c.differ, ctx.Err())...)
}

type crossing struct {
	program, folder string
	t               *table
	agree, open     int
	differ          []error
}

// compare solves one problem both ways.
func (c *crossing) compare(ctx context.Context, name string, p *model.Problem) {
	m, err := solve(ctx, p, crossSearch, search.Options{})
	if err != nil {
		c.differ = append(c.differ, fmt.Errorf("%s: %w", name, err))
		return
	}
	ours := "none"
	if m.result.Score.Skipped == 0 {
		ours = fmt.Sprint(m.result.Score.Total() / whole)
	}
	theirs, err := c.other(ctx, p)
	verdict := "agree"
	switch {
	case err != nil:
		verdict = "differ"
		c.differ = append(c.differ, fmt.Errorf("%s: %w", name, err))
	case theirs == "":
		verdict, theirs = "not finished", "?"
		c.open++
	case ours != theirs:
		verdict = "differ"
		c.differ = append(c.differ, fmt.Errorf("%s: the search finds %s, the other solver %s", name, ours, theirs))
	default:
		c.agree++
	}
	c.t.row([]int{-12, 8, 8, -1}, name, ours, theirs, verdict)
}

// other is the optimum by the other solver, "none" when there is no plan and empty
// when it did not finish.
func (c *crossing) other(ctx context.Context, p *model.Problem) (string, error) {
	data := filepath.Join(c.folder, "data.dzn")
	if err := os.WriteFile(data, []byte(crossData(p)), 0o600); err != nil {
		return "", err
	}
	output, err := exec.CommandContext(ctx, c.program, "--solver", "gecode", "--time-limit",
		strconv.FormatInt(crossLimit.Milliseconds(), 10), filepath.Join(c.folder, "cross.mzn"), data).CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("%w: %s", err, output)
	}
	text := string(output)
	switch {
	case strings.Contains(text, "=====UNSATISFIABLE====="):
		return "none", nil
	case !strings.Contains(text, "=========="):
		return "", nil
	}
	at := strings.LastIndex(text, "cost ")
	if at < 0 {
		return "", fmt.Errorf("no cost in %s", text)
	}
	return strings.Fields(text[at:])[1], nil
}

// crossData writes a plain problem as data of the other model. Indexes there count
// from 1, and 0 is none.
func crossData(p *model.Problem) string {
	var b strings.Builder
	write := func(name string, n int, value func(i int) int64) {
		fmt.Fprintf(&b, "%s = [", name)
		for i := range n {
			fmt.Fprintf(&b, "%d,", value(i))
		}
		b.WriteString("];\n")
	}
	jobs := func(name string, value func(j *model.Job) int64) {
		write(name, len(p.Jobs), func(i int) int64 { return value(&p.Jobs[i]) })
	}
	fmt.Fprintf(&b, "n = %d; horizon = %d; pools = %d; lags = %d; finish = %d;\n",
		len(p.Jobs), p.Horizon, len(p.Pools), len(p.Lags), p.Weights.Finish/whole)
	jobs("minutes", func(j *model.Job) int64 { return int64(j.Ways[0].Duration) })
	jobs("release", func(j *model.Job) int64 { return int64(j.Release) })
	jobs("deadline", func(j *model.Job) int64 { return int64(j.Deadline) })
	jobs("due", func(j *model.Job) int64 { return int64(j.Due) })
	jobs("late", func(j *model.Job) int64 { return j.LateWeight / whole })
	jobs("station", func(j *model.Job) int64 { return int64(j.Ways[0].Station) + 1 })
	jobs("person", func(j *model.Job) int64 {
		if !j.Manned {
			return 0
		}
		return int64(j.People[0]) + 1
	})
	jobs("space", func(j *model.Job) int64 {
		if len(j.Occupies) == 0 {
			return 0
		}
		return int64(j.Occupies[0].Space) + 1
	})
	jobs("tail", func(j *model.Job) int64 {
		if len(j.Occupies) == 0 {
			return 0
		}
		return int64(j.Occupies[0].Tail)
	})
	write("capacity", len(p.Pools), func(i int) int64 { return int64(p.Pools[i].Capacity) })
	b.WriteString("demand = array2d(1..pools, 1..n, ")
	demands := make([]int64, len(p.Pools)*len(p.Jobs))
	for i := range p.Jobs {
		for _, demand := range p.Jobs[i].Demands {
			demands[int(demand.Pool)*len(p.Jobs)+i] = int64(demand.Amount)
		}
	}
	b.WriteString(strings.ReplaceAll(fmt.Sprint(demands), " ", ",") + ");\n")
	lags := func(name string, value func(l model.Lag) int64) {
		write(name, len(p.Lags), func(i int) int64 { return value(p.Lags[i]) })
	}
	lags("from", func(l model.Lag) int64 { return int64(l.From) + 1 })
	lags("to", func(l model.Lag) int64 { return int64(l.To) + 1 })
	lags("from_end", func(l model.Lag) int64 { return bit(l.FromEnd) })
	lags("to_end", func(l model.Lag) int64 { return bit(l.ToEnd) })
	lags("least", func(l model.Lag) int64 { return int64(l.Least) })
	return b.String()
}

func bit(is bool) int64 {
	if is {
		return 1
	}
	return 0
}

// plain makes up a small problem of the plain class. Some have no plan.
func plain(number uint64) *model.Problem {
	random := rand.New(rand.NewPCG(number, seed))
	const horizon = 40
	p := &model.Problem{
		Horizon: horizon, Days: []model.Minute{0}, Weights: model.Weights{Finish: int64(random.IntN(3)) * whole},
		Pools:    []model.Pool{{Name: "water", Capacity: 3}},
		Stations: []model.Station{{Holds: model.None, Rinses: model.None}, {Holds: model.None, Rinses: model.None}},
		Spaces:   []model.Space{{}, {House: 1}},
		People: []model.Person{
			{Shifts: []model.Shift{{Span: model.Span{To: horizon}, Overtime: horizon}}},
			{Shifts: []model.Shift{{Span: model.Span{To: horizon}, Overtime: horizon}}},
		},
	}
	for range 7 {
		job := model.Job{
			Site: model.None, Mix: model.None, SkipWeight: 1,
			Ways:    []model.Way{{Station: int32(random.IntN(3)) - 1, Duration: 1 + model.Minute(random.IntN(6))}},
			Release: model.Minute(random.IntN(6)), Deadline: horizon, Due: model.Minute(5 + random.IntN(15)),
			LateWeight: int64(random.IntN(5)) * whole,
		}
		if random.IntN(3) == 0 {
			job.Deadline = 25
		}
		if random.IntN(2) == 0 {
			job.Manned, job.People = true, []int32{int32(random.IntN(2))}
		}
		if random.IntN(2) == 0 {
			job.Occupies = []model.Occupation{{
				Space: int32(random.IntN(2)), Exclusive: true, Tail: model.Minute(random.IntN(5)), Closure: model.None,
			}}
		}
		if random.IntN(2) == 0 {
			job.Demands = []model.Demand{{Pool: 0, Amount: 1 + int32(random.IntN(3))}}
		}
		p.Jobs = append(p.Jobs, job)
	}
	for range 4 {
		from := int32(random.IntN(6))
		to := from + 1 + int32(random.IntN(int(6-from)))
		least := model.Minute(random.IntN(8))
		p.Lags = append(p.Lags, model.Lag{From: from, To: to, FromEnd: random.IntN(2) == 0, ToEnd: random.IntN(4) == 0, Least: least})
		if random.IntN(2) == 0 {
			p.Lags = append(p.Lags, model.Lag{From: to, To: from, Least: -least - model.Minute(random.IntN(8))})
		}
	}
	return p
}
