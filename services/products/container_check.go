package products

import (
	"fmt"
	"slices"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/resource"
)

// expiresSoon is how many days ahead a container is reported that expires: time
// to use it up or to order. Common practice, no source.
const expiresSoon = 30

// What the store's findings rest on.
const (
	printedDate  = "the last day of use printed on the container"
	ownBooks     = "the nursery's own books"
	ruleExpired  = "container-expired"
	ruleExpires  = "container-expires"
	ruleCountDue = "container-count-due"
)

// storeFindings returns what is wrong with the containers of a nursery that hold
// something or less than nothing, on a day of the nursery, in the order given.
func storeFindings(nursery string, containers []Container, today string) ([]*productsv1.ProductFinding, error) {
	day, err := time.Parse(time.DateOnly, today)
	if err != nil {
		return nil, err
	}
	soon := day.AddDate(0, 0, expiresSoon).Format(time.DateOnly)
	var findings []*productsv1.ProductFinding
	for _, c := range containers {
		finding := &productsv1.ProductFinding{
			Product: resource.Of("nurseries", nursery, "products", c.Product), Field: "containers/" + c.ID,
		}
		switch {
		case c.Remaining.Amount.IsNegative():
			finding.Rule, finding.Source = ruleCountDue, ownBooks
			finding.Message = fmt.Sprintf("the books say %s: more was confirmed as used than was there; count it", c.Remaining)
		case !c.Remaining.Positive() || c.ExpireDate == "" || c.ExpireDate > soon:
			continue
		case c.Expired(today):
			finding.Rule, finding.Source, finding.Refuses = ruleExpired, printedDate, !anyInDate(containers, c.Product, today)
			finding.Message = fmt.Sprintf("expired on %s with %s in it; do not use it, dispose of it as local law says", c.ExpireDate, c.Remaining)
		default:
			finding.Rule, finding.Source = ruleExpires, printedDate
			finding.Message = fmt.Sprintf("expires on %s with %s in it; use it first or order in time", c.ExpireDate, c.Remaining)
		}
		findings = append(findings, finding)
	}
	return findings, nil
}

// anyInDate reports whether a container of a product may still be used on a day.
func anyInDate(containers []Container, product, day string) bool {
	return slices.ContainsFunc(containers, func(c Container) bool {
		return c.Product == product && c.Remaining.Positive() && !c.Expired(day)
	})
}
