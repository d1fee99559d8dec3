package inference

import (
	"math/rand/v2"
	"slices"

	"velamen/services/diagnosis/knowledge"
)

// drawn is a case drawn from the knowledge itself, with what is truly there.
type drawn struct {
	facts Case
	base  *knowledge.Base // without the disorder that is there when that is unknown
	truth []string        // empty for one that the base does not hold
}

// misreads is the share of findings that a drawn reader takes for another sign of
// the same group.
const misreads = 0.03

// draw makes a case as the model believes them to be: mostly one disorder, now and
// then two, now and then one that nobody has described, which is a disorder of the
// knowledge taken out of it. The reader reports some of what shows and a few signs
// that were looked for in vain.
func draw(base *knowledge.Base, random *rand.Rand) drawn {
	genera := []string{"Cattleya", "Phalaenopsis", "Ficus", "Petunia", "Chrysanthemum", "Pelargonium", "Rosa", "Lilium", "Echeveria"}
	d := drawn{base: base, facts: Case{Plant: base.PlantOf(genera[random.IntN(len(genera))])}}
	m := newModel(base, d.facts.Plant)
	picked := pick(m, random)
	there := []knowledge.Disorder{}
	if picked.first == nobody {
		hidden := m.disorders[random.IntN(len(m.disorders))]
		there = append(there, hidden)
		without := *base
		without.Disorders = slices.DeleteFunc(slices.Clone(base.Disorders), func(other knowledge.Disorder) bool { return other.ID == hidden.ID })
		d.base = &without
	}
	for _, at := range []int{picked.first, picked.second} {
		if at != nobody {
			there = append(there, m.disorders[at])
			d.truth = append(d.truth, m.disorders[at].ID)
		}
	}
	d.facts.Findings = report(base, d.facts.Plant, there, random)
	return d
}

func pick(m *model, random *rand.Rand) hypothesis {
	left := random.Float64()
	for h, share := range normalised(m.logPrior) {
		if left -= share; left < 0 {
			return m.hypotheses[h]
		}
	}
	return m.hypotheses[0]
}

// report is what a reader writes down: three to seven signs that show and up to
// three that do not.
func report(base *knowledge.Base, plant knowledge.Plant, there []knowledge.Disorder, random *rand.Rand) []Finding {
	var shows, not []Finding
	for _, at := range random.Perm(len(base.Signs)) {
		sign := base.Signs[at]
		f := Finding{Organ: sign.Organs[0], Sign: sign.ID, Observed: true}
		if slices.Contains(plant.Lacks, f.Organ) {
			continue
		}
		chance := sign.Elsewhere
		for i, d := range there {
			p := sign.Elsewhere
			if expected, said := d.ChanceOf(sign.ID, f.Organ); said {
				p = expected.Chance
			}
			if i == 0 {
				chance = p
			} else {
				chance = both(chance, p, sign.Elsewhere)
			}
		}
		if random.Float64() < chance {
			shows = append(shows, misreadBy(base, f, random))
		} else {
			f.Observed = false
			not = append(not, f)
		}
	}
	findings := append(shows[:min(len(shows), 3+random.IntN(5))], not[:random.IntN(4)]...)
	var sound []Finding
	for _, f := range findings {
		if Check(base, Case{Plant: plant, Findings: append(slices.Clone(sound), f)}) == nil {
			sound = append(sound, f)
		}
	}
	return sound
}

func misreadBy(base *knowledge.Base, f Finding, random *rand.Rand) Finding {
	if random.Float64() >= misreads {
		return f
	}
	sign, _ := base.Sign(f.Sign)
	for _, at := range random.Perm(len(base.Signs)) {
		if other := base.Signs[at]; other.Group == sign.Group && slices.Contains(other.Organs, f.Organ) {
			return Finding{Organ: f.Organ, Sign: other.ID, Observed: true}
		}
	}
	return f
}
