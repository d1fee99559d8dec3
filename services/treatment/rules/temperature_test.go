package rules_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
	"velamen/services/treatment/rules"
)

func TestTheTemperaturesOfAnApplicationAreThoseThatNoRuleRefuses(t *testing.T) {
	a := plain()
	all, err := rules.TemperaturesFor(a)
	require.NoError(t, err)
	require.Equal(t, "at most 31 Cel", all.String(), "the label says nothing of the air; the row weather-leaf-temperature does")

	label(&a).TemperatureMin, label(&a).TemperatureMax = amount("10 Cel"), amount("29.5 Cel")
	limited, err := rules.TemperaturesFor(a)
	require.NoError(t, err)
	require.Equal(t, rules.TemperatureRange{Least: 10, Most: 29}, limited, "whole degrees within the label")
	require.True(t, limited.Limits())
	require.Equal(t, "10 to 29 Cel", limited.String())

	label(&a).TemperatureMin = amount("30 Cel")
	none, err := rules.TemperaturesFor(a)
	require.NoError(t, err)
	require.Equal(t, "no temperature", none.String())

	label(&a).TemperatureMin = quantity.Quantity{}
	most, err := rules.TemperaturesFor(a)
	require.NoError(t, err)
	require.Equal(t, "at most 29 Cel", most.String())
}
