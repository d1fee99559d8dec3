package treatment

import (
	"fmt"
	"strings"
	"time"

	"velamen/services/treatment/rotation"
)

// rotationCaution is what to keep in mind of a rotation: that the label decides, what
// the search did not show, and which applications depend on the hour.
func rotationCaution(plan rotation.Plan, zone *time.Location) string {
	sentences := []string{Caution}
	switch {
	case len(plan.Conflict) > 0 && !plan.Irreducible:
		sentences = append(sentences, "The search ended before it was shown that each of these limits is needed: fewer of them may be in conflict.")
	case len(plan.Conflict) > 0 && !plan.Smallest:
		sentences = append(sentences, "The search ended before it was shown that no conflict has fewer limits.")
	case len(plan.Conflict) == 0 && !plan.Fewest:
		sentences = append(sentences, "The search ended before it was shown that no rotation has fewer applications at high risk of resistance.")
	case len(plan.Conflict) == 0 && !plan.Preferred:
		sentences = append(sentences, "The search ended before it was shown that no other rotation goes before this one.")
	}
	var days []string
	for _, planned := range plan.Applications {
		if planned.SameHour {
			days = append(days, planned.Time.In(zone).Format(time.DateOnly))
		}
	}
	if len(days) > 0 {
		sentences = append(sentences, fmt.Sprintf("The plan is by days, and labels count from the end of the work. "+
			"What follows after exactly the days asked for must not begin at an earlier hour than that work ended: on %s.", strings.Join(days, ", ")))
	}
	return strings.Join(sentences, " ")
}
