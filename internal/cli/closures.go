package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func (a *app) closuresCommand() *cobra.Command {
	return group("closures", "Which houses are open, and how they were aired",
		"The board of closures, the airings and measurements of the air that open a house.",
		a.listClosures(), a.watchClosures(), a.recordAiring(), a.endAiring(), a.voidAiring(), a.airings(), a.recordMeasurement())
}

func (a *app) listClosures() *cobra.Command {
	request := &treatmentv1.ListClosuresRequest{}
	cmd := a.command(text{
		use: "list [HOUSE]", short: "Show which houses are open, and which are closed until when and why",
		long: `Closed houses come first. A house is open when nothing is applied in it, it is aired
where that is asked for, every restricted-entry interval is over and the signs are
down. What is not entered keeps it closed and is named. The product label and local
law decide.`,
		example: "  velamen closures list\n  velamen closures list warm",
	}, func(ctx context.Context, args []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if len(args) > 0 {
			if request.House, err = a.name("HOUSE", args[0], "houses"); err != nil {
				return err
			}
		}
		board, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.ListClosures, request)
		if err != nil {
			return err
		}
		return a.showBoard(ctx, board)
	})
	return cmd
}

func (a *app) watchClosures() *cobra.Command {
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "watch", short: "Show the board of closures again whenever it changes",
		long:    "Goes on until it is interrupted.",
		example: "  velamen closures watch",
	}, func(context.Context, []string) error {
		// A board is watched all day; --timeout is for what should come to an end.
		ctx := cmd.Context()
		parent, err := a.parent()
		if err != nil {
			return err
		}
		stream, err := call(ctx, a, treatmentv1.NewTreatmentServiceClient, treatmentv1.TreatmentServiceClient.WatchClosures,
			&treatmentv1.WatchClosuresRequest{Parent: parent})
		if err != nil {
			return err
		}
		for {
			changed, err := stream.Recv()
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil {
				return err
			}
			if err := a.showBoard(ctx, changed.GetBoard()); err != nil {
				return err
			}
		}
	})
	return cmd
}

// showBoard shows the board with its caution.
func (a *app) showBoard(ctx context.Context, board *treatmentv1.ListClosuresResponse) error {
	return a.showWithCaution(ctx, board, func(s *sheet) {
		s.fact("As of", s.when(board.GetAsOfTime()))
		if s.none(len(board.GetHouses()), "houses") {
			return
		}
		s.row("HOUSE", "OPEN", "BY TIME ALONE", "BECAUSE", "WHAT IS CLOSED", "BENCHES", "INSIDE")
		for _, house := range board.GetHouses() {
			inside := make([]string, len(house.GetInside()))
			for i, entry := range house.GetInside() {
				inside[i] = shortName(entry.GetPerson())
			}
			if house.GetOpen() {
				s.row(shortName(house.GetHouse()), "yes", "", "", "", "", strings.Join(inside, ", "))
			}
			for _, closure := range house.GetClosures() {
				s.row(shortName(house.GetHouse()), "no", s.when(closure.GetEndTime()), word(closure.GetReason()), closedArea(closure),
					shortNames(closure.GetBenches()), strings.Join(inside, ", "))
			}
		}
		for _, house := range board.GetHouses() {
			for _, closure := range house.GetClosures() {
				s.line("")
				s.line("%s: %s", shortName(house.GetHouse()), closure.GetMessage())
				for _, sooner := range closure.GetSooner() {
					s.line("  Sooner: %s.", sooner.GetMessage())
				}
			}
		}
		s.notesOf(board.GetHouses())
	})
}

// notesOf prints what is to be said of houses, each sentence once with the houses that it is
// about; most are about all.
func (s *sheet) notesOf(houses []*treatmentv1.HouseStanding) {
	var notes []string
	about := map[string][]string{}
	for _, house := range houses {
		for _, note := range house.GetNotes() {
			if about[note] == nil {
				notes = append(notes, note)
			}
			about[note] = append(about[note], shortName(house.GetHouse()))
		}
	}
	for _, note := range notes {
		s.line("")
		if len(about[note]) == len(houses) {
			s.line("All houses: %s", note)
			continue
		}
		s.line("%s: %s", strings.Join(about[note], ", "), note)
	}
}

// closedArea says how far a closure reaches.
func closedArea(closure *treatmentv1.Closure) string {
	if closure.GetFeet() > 0 {
		return fmt.Sprintf("%s and %d ft around", word(closure.GetExtent()), closure.GetFeet())
	}
	return word(closure.GetExtent())
}
