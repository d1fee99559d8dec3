package cli

import (
	"fmt"
	"strings"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

// parseYesNo reads an answer.
func parseYesNo(typed string) (*bool, error) {
	answer := typed == "yes"
	if !answer && typed != "no" {
		return nil, fmt.Errorf("%q is neither yes nor no", typed)
	}
	return &answer, nil
}

// parseOverride reads a rule that a person goes against and why, as in
// "rotation-consecutive=no other product is registered".
func parseOverride(typed string) (*treatmentv1.Override, error) {
	rule, why, found := cutName(typed)
	if !found || why == "" {
		return nil, fmt.Errorf("%q is not a rule with the reason to go against it; write it as RULE=REASON", typed)
	}
	return &treatmentv1.Override{Rule: rule, Note: why}, nil
}

// parseMixProduct reads a product and the rate to use it at, as in
// "topspray=1.2g/L"; a product alone is used at the rate that its label gives. The
// product stays as it was typed.
func parseMixProduct(typed string) (*treatmentv1.MixProduct, error) {
	if !strings.Contains(typed, "=") && strings.TrimSpace(typed) != "" {
		return &treatmentv1.MixProduct{Product: strings.TrimSpace(typed)}, nil
	}
	product, rate, found := cutName(typed)
	if !found {
		return nil, fmt.Errorf("%q is not a product, or a product with its rate as in topspray=1.2g/L", typed)
	}
	q, err := parseQuantity(rate)
	if err != nil {
		return nil, err
	}
	return &treatmentv1.MixProduct{Product: product, Rate: q}, nil
}

// parseMeasure reads what somebody measures with, what it holds and its smallest
// graduation, as in "jug=1L/10mL".
func parseMeasure(typed string) (*treatmentv1.Measure, error) {
	const like = "jug=1L/10mL"
	name, marks, found := cutName(typed)
	if !found {
		return nil, fmt.Errorf("%q is not a measure with what it holds and its smallest graduation; write it as in %s", typed, like)
	}
	capacity, graduation, err := parsePair(marks, like)
	if err != nil {
		return nil, err
	}
	return &treatmentv1.Measure{DisplayName: name, Capacity: capacity, Graduation: graduation}, nil
}

// parseCatch reads what one nozzle gave and in which time, as in "450mL/30s".
func parseCatch(typed string) (*treatmentv1.CatchTest, error) {
	caught, duration, err := parsePair(typed, "450mL/30s")
	if err != nil {
		return nil, err
	}
	return &treatmentv1.CatchTest{Caught: caught, Duration: duration}, nil
}

// course is a measured way and the time that it took.
type course struct{ length, duration *typev1.Quantity }

// parseCourse reads a course, as in "50m/36s".
func parseCourse(typed string) (c course, err error) {
	c.length, c.duration, err = parsePair(typed, "50m/36s")
	return c, err
}

// parsePair reads two amounts with a stroke between, neither of them a rate. Like
// shows how it is written.
func parsePair(typed, like string) (first, second *typev1.Quantity, err error) {
	above, below, found := strings.Cut(typed, "/")
	if !found || strings.Contains(below, "/") {
		return nil, nil, fmt.Errorf("%q is not two amounts with a stroke between; write it as in %s", typed, like)
	}
	if first, err = parseQuantity(above); err == nil {
		second, err = parseQuantity(below)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("%q: %w; write it as in %s", typed, err, like)
	}
	return first, second, nil
}
