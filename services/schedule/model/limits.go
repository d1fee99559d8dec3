package model

import "math/bits"

// costs refuses weights with which the worst plan would cost more than MaxCost.
func (v *validator) costs() {
	if v.err != nil {
		return
	}
	p := v.p
	worst := &tally{v: v}
	skipped := &tally{v: v}
	end := int64(p.Horizon)
	v.weight(p.Weights.Finish, "weights.finish")
	v.weight(p.Weights.Leftover, "weights.leftover")
	v.weight(p.Weights.Rinse, "weights.rinse")
	v.weight(p.Weights.RinseVolume, "weights.rinse_volume")
	v.weight(p.Weights.Overtime, "weights.overtime")
	worst.add(p.Weights.Finish, end, "weights.finish")
	longest := worst.jobs(skipped, end)
	for i := range p.Spaces {
		v.enter("spaces", i)
		worst.add(p.Spaces[i].ClosedWeight, end+longest, "closed_weight")
		v.leave()
	}
	tank, rinse := p.Largest()
	n := int64(len(p.Jobs))
	// What is left of a run is less than one full tank and one graduation.
	worst.add(p.Weights.Leftover, n*2*tank, "weights.leftover")
	worst.add(p.Weights.Rinse, n, "weights.rinse")
	worst.add(p.Weights.RinseVolume, n*rinse, "weights.rinse_volume")
	worst.add(p.Weights.Overtime, int64(len(p.People))*end, "weights.overtime")
}

// jobs adds what all jobs can cost and count, and returns the longest tail.
func (t *tally) jobs(skipped *tally, end int64) int64 {
	var longest int64
	for i := range t.v.p.Jobs {
		job := &t.v.p.Jobs[i]
		t.v.enter("jobs", i)
		t.add(job.LateWeight, max(end-int64(job.Due), 0), "late_weight")
		t.add(job.WaitWeight, max(end-int64(job.Release), 0), "wait_weight")
		if job.Told != nil {
			t.add(job.Told.Weight, 1, "told.weight")
		}
		skipped.add(job.SkipWeight, 1, "skip_weight")
		for _, occupation := range job.Occupies {
			longest = max(longest, int64(occupation.Tail))
		}
		t.v.leave()
	}
	return longest
}

// tally is a sum of weights that may not pass MaxCost.
type tally struct {
	v   *validator
	sum uint64
}

// add counts a weight as often as it can occur at worst; both are 0 or more.
func (t *tally) add(weight, times int64, field string) {
	high, low := bits.Mul64(uint64(weight), uint64(times))
	if high != 0 || low > MaxCost {
		low = MaxCost + 1
	}
	t.sum = min(t.sum+low, MaxCost+1)
	if t.sum > MaxCost {
		t.v.fail(field, "with it a plan may cost more than %d millionths", int64(MaxCost))
	}
}

// Largest returns the largest volume that one load of any station can have and that
// one rinse can take, mL.
func (p *Problem) Largest() (load, rinse int64) {
	for i := range p.Stations {
		load = max(load, p.Stations[i].Tank, p.Stations[i].SmallestLoad)
	}
	for _, table := range p.Rinses {
		for _, row := range table {
			for _, r := range row {
				rinse = max(rinse, r.Volume)
			}
		}
	}
	return load, rinse
}
