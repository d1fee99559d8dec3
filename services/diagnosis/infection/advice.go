package infection

import (
	"fmt"
	"math"
	"time"
)

// The limits of the advice: design values, common practice, no source, but for the
// deficit, which trade articles name as the bound below which leaf diseases begin
// (0.2 to 0.3 kPa, from memory).
const (
	moistDeficit  = 0.3  // kPa
	muchOfTheTime = 0.25 // share of the known hours
	mostOfTheWet  = 0.6  // share of the wet hours
	eveningHour   = 18
	morningHour   = 8
	longWetHours  = 6.0 // h a day
)

// Advise says what to change in air, warmth and watering so that leaves stay dry,
// from the climate of a house; empty when leaves were never wet. It concerns the
// environment alone and comes before any chemical.
func Advise(spans []Span, waterings []time.Time, zone *time.Location) []string {
	var known, wet, nightly, moist float64
	for _, s := range spans {
		if s.Blind && s.Wet == 0 {
			continue // whether leaves were dry is not known
		}
		hours := s.hours()
		known += hours
		wet += hours * s.Wet
		if night(time.Unix(s.End-1, 0).In(zone)) {
			nightly += hours * s.Wet
		}
		if !math.IsNaN(s.Celsius) && !math.IsNaN(s.Humidity) && VapourPressureDeficit(s.Celsius, s.Humidity) < moistDeficit {
			moist += hours
		}
	}
	if wet == 0 {
		return nil
	}
	var advice []string
	if nightly/wet >= mostOfTheWet {
		advice = append(advice, fmt.Sprintf(
			"%.0f %% of the wet hours fell between evening and morning: open the vents and heat at the same time at sunset, and keep the air moving all night, so that no leaf falls below the dew point.",
			100*nightly/wet))
	}
	if late := lateWaterings(waterings, zone); late > 0 {
		advice = append(advice, fmt.Sprintf(
			"Leaves were watered in the afternoon or later %s: water in the morning, and on the medium rather than over the leaves, so that they are dry before evening.", times(late)))
	}
	if moist/known >= muchOfTheTime {
		advice = append(advice, fmt.Sprintf(
			"In %.0f %% of the hours the air lacked less than %.1f kPa to saturation: space the plants, vent moist air out, and warm it a little before dawn.", 100*moist/known, moistDeficit))
	}
	if 24*wet/known >= longWetHours {
		advice = append(advice, fmt.Sprintf(
			"Leaves were wet for %.1f hours a day: look for drips, leaks and plants that stand too close.", 24*wet/known))
	}
	if len(advice) == 0 {
		advice = append(advice, "Leaves were wet for short times only: keep the air moving and water in the morning.")
	}
	return advice
}

func night(moment time.Time) bool {
	return moment.Hour() >= eveningHour || moment.Hour() < morningHour
}

func lateWaterings(waterings []time.Time, zone *time.Location) int {
	const noon = 12
	late := 0
	for _, moment := range waterings {
		if moment.In(zone).Hour() >= noon {
			late++
		}
	}
	return late
}

// times says how often.
func times(count int) string {
	if count == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", count)
}
