package evaluation

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"

	"velamen/services/diagnosis/inference"
	"velamen/services/diagnosis/knowledge"
)

// bins are the upper bounds of the reliability table's bins.
var bins = []float64{0.2, 0.4, 0.6, 0.8, 1}

// Report is how good the ranking is.
type Report struct {
	Vignettes int
	// Top1 and Top3 are the shares of vignettes whose disorder comes first, or is
	// among the first three. Of two disorders both must be among the first two, or
	// the first three. None of those known is a candidate like any other.
	Top1, Top3 float64
	// Brier is the mean, over vignettes with one disorder or none, of the sum over
	// all candidates, none included, of (probability - truth) squared, where truth is
	// 1 for the true one and 0 else (Brier 1950, Monthly Weather Review 78:1-3, the
	// form for several classes): 0 is perfect, 2 is certain and wrong every time.
	// Candidates may sum to more than 1, as two may be there; here they are scaled to
	// sum to 1.
	Brier float64
	// Singles are the vignettes that Brier is taken over.
	Singles int
	// Reliability compares what is said of the leading candidate with what is so.
	Reliability []Bin
	Classes     []Class
	// Misses are those whose disorder does not come first.
	Misses []Miss
}

// Bin is vignettes whose leading candidate was given about the same probability.
type Bin struct {
	Above, UpTo float64
	Vignettes   int
	// Said is the mean probability, Right the share in which it was the truth.
	Said, Right float64
}

// Class is the vignettes of one class of disorder.
type Class struct {
	Class                 string
	Vignettes, Top1, Top3 int
}

// Miss is a vignette whose disorder did not come first.
type Miss struct {
	ID, Said    string
	Probability float64
	Truth       string
	// Rank of the truth, 1 is first; of two the worse one.
	Rank int
}

// Score ranks every vignette.
func Score(base *knowledge.Base, all []Vignette) Report {
	report := Report{Vignettes: len(all)}
	for i, upTo := range bins {
		above := 0.0
		if i > 0 {
			above = bins[i-1]
		}
		report.Reliability = append(report.Reliability, Bin{Above: above, UpTo: upTo})
	}
	classes := map[string]*Class{}
	for _, v := range all {
		report.add(base, v, inference.Assess(base, v.Case), classes)
	}
	for _, name := range slices.Sorted(maps.Keys(classes)) {
		report.Classes = append(report.Classes, *classes[name])
	}
	report.average()
	return report
}

func (r *Report) add(base *knowledge.Base, v Vignette, ranking inference.Ranking, classes map[string]*Class) {
	first := ranking.Candidates[0]
	rank := rankOf(ranking, v.Disorders)
	name := classOf(base, v)
	if classes[name] == nil {
		classes[name] = &Class{Class: name}
	}
	class := classes[name]
	class.Vignettes++
	if rank <= len(v.Disorders) {
		r.Top1++
		class.Top1++
	} else {
		r.Misses = append(r.Misses, Miss{
			ID: v.ID, Said: named(first.Disorder), Probability: first.Probability, Truth: v.truth(), Rank: rank,
		})
	}
	if rank <= 3 {
		r.Top3++
		class.Top3++
	}
	if len(v.Disorders) == 1 {
		r.Singles++
		r.Brier += brier(ranking, v.Disorders[0])
	}
	bin := &r.Reliability[slices.IndexFunc(r.Reliability, func(b Bin) bool { return first.Probability <= b.UpTo || b.UpTo == 1 })]
	bin.Vignettes++
	bin.Said += first.Probability
	if slices.Contains(v.Disorders, first.Disorder) {
		bin.Right++
	}
}

func (r *Report) average() {
	share := func(sum *float64, n int) {
		if n > 0 {
			*sum /= float64(n)
		}
	}
	share(&r.Top1, r.Vignettes)
	share(&r.Top3, r.Vignettes)
	share(&r.Brier, r.Singles)
	for i := range r.Reliability {
		bin := &r.Reliability[i]
		share(&bin.Said, bin.Vignettes)
		share(&bin.Right, bin.Vignettes)
	}
}

// rankOf is the place of the last of the true disorders. One that was not weighed
// at all stands behind all others.
func rankOf(ranking inference.Ranking, disorders []string) int {
	last := 0
	for _, id := range disorders {
		at := slices.IndexFunc(ranking.Candidates, func(c inference.Candidate) bool { return c.Disorder == id })
		if at < 0 {
			at = len(ranking.Candidates)
		}
		last = max(last, at+1)
	}
	return last
}

func brier(ranking inference.Ranking, truth string) float64 {
	var total, sum float64
	for _, c := range ranking.Candidates {
		total += c.Probability
	}
	weighed := false
	for _, c := range ranking.Candidates {
		share := c.Probability / total
		if c.Disorder == truth {
			share, weighed = 1-share, true
		}
		sum += share * share
	}
	if !weighed {
		sum++
	}
	return sum
}

// classOf is the class of the true disorder, or how many there are.
func classOf(base *knowledge.Base, v Vignette) string {
	if len(v.Disorders) > 1 {
		return "two at once"
	}
	d, known := base.Disorder(v.Disorders[0])
	if !known {
		return NoneOfThese
	}
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(d.Class.String(), "DISORDER_CLASS_"), "_", "-"))
}

func named(disorder string) string {
	if disorder == "" {
		return NoneOfThese
	}
	return disorder
}

func (v Vignette) truth() string {
	var names []string
	for _, id := range v.Disorders {
		names = append(names, named(id))
	}
	return strings.Join(names, " + ")
}

// WriteReliability prints the shares and whether what is said of the first
// candidate comes true as often as it says.
func (r Report) WriteReliability(w io.Writer) error {
	var text strings.Builder
	fmt.Fprintf(&text, "%d published cases: top-1 %.1f %%, top-3 %.1f %%, Brier %.3f (over the %d with one disorder or none)\n",
		r.Vignettes, 100*r.Top1, 100*r.Top3, r.Brier, r.Singles)
	fmt.Fprint(&text, "first candidate given\tcases\tsaid on average\tright\n")
	for _, b := range r.Reliability {
		if b.Vignettes > 0 {
			fmt.Fprintf(&text, "above %.0f to %.0f %%\t%d\t%.0f %%\t%.0f %%\n", 100*b.Above, 100*b.UpTo, b.Vignettes, 100*b.Said, 100*b.Right)
		}
	}
	return writeTable(w, text.String())
}

// WriteCases prints how each class does and every case whose disorder does not come
// first.
func (r Report) WriteCases(w io.Writer) error {
	var text strings.Builder
	fmt.Fprint(&text, "class\tcases\tfirst\tamong three\n")
	for _, c := range r.Classes {
		fmt.Fprintf(&text, "%s\t%d\t%d\t%d\n", c.Class, c.Vignettes, c.Top1, c.Top3)
	}
	fmt.Fprint(&text, "\nnot first\tsaid\t\ttruth\tits rank\n")
	for _, m := range r.Misses {
		fmt.Fprintf(&text, "%s\t%s\t%.0f %%\t%s\t%d\n", m.ID, m.Said, 100*m.Probability, m.Truth, m.Rank)
	}
	return writeTable(w, text.String())
}

// writeTable lines up columns that tabs separate.
func writeTable(w io.Writer, text string) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	if _, err := io.WriteString(table, text); err != nil {
		return fmt.Errorf("write report: %w", err)
	}
	return table.Flush()
}
