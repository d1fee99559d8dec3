package rules

import (
	"fmt"
	"math/big"
	"slices"

	"velamen/internal/quantity"
)

// What the rules of the store rest on.
const (
	ownBooks    = "the nursery's own books"
	printedDate = "the last day of use printed on the container"
)

// store holds what is taken to what the chemical store has.
func (c *check) store() error {
	var seen []string
	for _, l := range c.lines {
		key := l.Product.ID + "/" + l.Store.Named
		if slices.Contains(seen, key) {
			continue
		}
		seen = append(seen, key)
		if err := c.stored(l); err != nil {
			return err
		}
	}
	return nil
}

func (c *check) stored(l *line) error {
	name := l.Product.DisplayName
	if !l.Store.Counted {
		v := l.about(RuleContainerCounted, Warn, "no container of %s was ever entered: what is left is not known", name)
		v.Source = ownBooks
		c.add(v)
		if l.Store.Named == "" {
			return nil
		}
	}
	containers := l.Store.Containers
	if l.Store.Named != "" {
		i := slices.IndexFunc(containers, func(held Container) bool { return held.ID == l.Store.Named })
		if i < 0 {
			v := l.about(RuleContainerUnknown, Refuse, "the store held no container %s of %s on %s", l.Store.Named, name, c.day)
			v.Numbers = []Number{{Name: "day", Value: c.day}}
			v.Alternatives = []string{"name the container that it came from, or none"}
			v.Source, v.Field = ownBooks, l.Field+".container"
			c.add(v)
			return nil
		}
		containers = containers[i : i+1]
	}
	inDate := slices.DeleteFunc(slices.Clone(containers), func(held Container) bool {
		return held.ExpireDate != "" && held.ExpireDate < c.day
	})
	if len(containers) > 0 {
		c.expired(l, containers, inDate)
		if len(inDate) == 0 {
			return nil
		}
	}
	return c.left(l, inDate)
}

// expired refuses what is taken from containers past their last day of use.
func (c *check) expired(l *line, containers, inDate []Container) {
	name := l.Product.DisplayName
	v := l.about(RuleContainerExpired, Pass, "%s is in date", name)
	if len(inDate) == 0 {
		last := containers[0].ExpireDate
		for _, held := range containers {
			last = max(last, held.ExpireDate)
		}
		v = l.about(RuleContainerExpired, Refuse, "%s expired on %s; do not use it, dispose of it as local law says", name, last)
		v.Numbers = []Number{{Name: "last day of use", Value: last}}
		for _, held := range l.Store.Containers {
			if held.ExpireDate == "" || held.ExpireDate >= c.day {
				v.Alternatives = append(v.Alternatives, "container "+held.ID)
			}
		}
	}
	v.Source = printedDate
	c.add(v)
}

// left refuses more than is left by the books, which may be wrong. What is taken
// from a container that is named is taken from the store too.
func (c *check) left(l *line, containers []Container) error {
	unit := l.Amount.Unit
	if unit == "" {
		return nil
	}
	nothing := quantity.ExactOf(new(big.Rat), unit)
	needed, left := nothing, nothing
	var err error
	for _, other := range c.lines {
		if other.Product.ID != l.Product.ID || other.Amount.IsZero() || (l.Store.Named != "" && other.Store.Named != l.Store.Named) {
			continue
		}
		if needed, err = needed.Add(other.Amount.Exact()); err != nil {
			return unitFault(other)
		}
	}
	for _, held := range containers {
		if !held.Remaining.Positive() {
			continue
		}
		if left, err = left.Add(held.Remaining.Exact()); err != nil {
			return fmt.Errorf("container %s of %s: %w", held.ID, l.Product.ID, err)
		}
	}
	order, err := needed.Compare(left)
	if err != nil {
		return err
	}
	v := l.about(RuleContainerLeft, Pass, "%s of %s is needed and %s is left in date", needed, l.Product.DisplayName, left)
	if order > 0 {
		v = l.about(RuleContainerLeft, Refuse, "%s of %s is needed and the books say that only %s is left in date", needed, l.Product.DisplayName, left)
		v.Overridable = true
		v.Alternatives = []string{"count the store, or take another container"}
	}
	v.Source, v.Field = ownBooks, l.Field+".amount"
	v.Numbers = []Number{{Name: "needed", Value: needed.String()}, {Name: "left", Value: left.String()}}
	c.add(v)
	return nil
}
