package checker_test

import (
	"testing"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/checker"
)

func BenchmarkCheckFiveThousandJobs(b *testing.B) {
	p := benchmark.Nursery(1, 5000)
	plan := benchmark.EarliestDueFirst(p)
	for b.Loop() {
		checker.Check(p, plan)
	}
}

func BenchmarkValidateFiveThousandJobs(b *testing.B) {
	p := benchmark.Nursery(1, 5000)
	for b.Loop() {
		if err := p.Validate(); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkHashFiveThousandJobs(b *testing.B) {
	p := benchmark.Nursery(1, 5000)
	for b.Loop() {
		p.Hash()
	}
}
