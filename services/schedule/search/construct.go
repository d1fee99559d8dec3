package search

// rules is how many orders the first plans are made by.
const rules = 6

// construct places all jobs that are out, by one of the orders.
func (b *builder) construct(rule int) {
	b.seek.notBefore = make([]minute, len(b.s.at))
	b.bag = append(b.bag[:0], b.s.out...)
	for _, j := range b.bag {
		b.keys[j] = b.rank(j, rule)
	}
	b.restore()
	b.shiftChains()
	b.seek.notBefore = nil
}

// rank is the key of a job under one of the orders: the least first.
func (b *builder) rank(j int32, rule int) int64 {
	own := &b.s.t.jobs[j]
	job := own.job
	length := int64(max(own.shortest, 1))
	switch rule {
	case 0:
		return int64(own.latest)
	case 1:
		return int64(job.Due) - length
	case 2:
		return -(job.LateWeight + job.WaitWeight) / length
	case 3:
		return int64(job.Release)<<8 + int64(job.Mix)
	}
	// A noisy pass by the latest start.
	return int64(own.latest) + b.rng.Int64N(1+int64(b.s.t.p.Horizon)/8)
}

// shiftChains places what is left out because an interval to a job that stands too
// early does not hold, by moving that one later.
func (b *builder) shiftChains() {
	b.bag = append(b.bag[:0], b.s.out...)
	for _, j := range b.bag {
		if len(b.s.t.jobs[j].bonds) > 0 && !b.s.at[j].placed && len(b.s.t.jobs[j].ways) > 0 {
			b.follow(j)
		}
	}
	b.bag = b.bag[:0]
	b.purge()
}
