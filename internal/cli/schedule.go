package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

func (a *app) scheduleCommand() *cobra.Command {
	return group("schedule", "Plan the days: who treats which house when, with which sprayer",
		`What waits, and plans of the days made of it. A plan gives every job a time, a person
and a sprayer, keeps every rule, and says how far it can be from the best plan there
is. docs/scheduling.md explains the rules and what a plan costs. `+Caution,
		a.jobs(), a.planMake(), a.planShow(), a.planList(), a.planCheck(), a.planAccept(), a.planReject(), a.assignmentList(),
		a.jobExplain(), a.jobSlots(), a.whatIf(), a.jobPin(), a.jobUnpin(), a.pinList(),
		a.workHours(), a.houseHours(), a.planningSettings(), a.sprayerList(),
		group("sprayer", "One sprayer", "A sprayer, a drench cart or a bath station.", a.sprayerGet(), a.sprayerCreate(), a.sprayerUpdate()))
}

func (a *app) sprayerList() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "sprayers", short: "List the sprayers", long: "Lists sprayers, drench carts and bath stations by name.",
		example: "  velamen schedule sprayers",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		sprayers, err := gather(limit, func(size int32, token string) (*schedulev1.ListSprayersResponse, error) {
			return call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.ListSprayers,
				&schedulev1.ListSprayersRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, sprayers, func(s *sheet) {
			if s.none(len(sprayers.GetSprayers()), "sprayers") {
				return
			}
			s.row("SPRAYER", "NAME", "TANK", "METHODS", "OUT OF SERVICE")
			for _, sprayer := range sprayers.GetSprayers() {
				s.row(shortName(sprayer.GetName()), sprayer.GetDisplayName(), amount(sprayer.GetTankVolume()), wordsOf(sprayer.GetMethods()), yes(sprayer.GetOutOfService()))
			}
			s.more(sprayers.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func (a *app) sprayerGet() *cobra.Command {
	return a.command(text{
		use: "get SPRAYER", short: "Show one sprayer", long: "Shows one sprayer.",
		example: "  velamen schedule sprayer get tank-1",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("SPRAYER", args[0], "sprayers")
		if err != nil {
			return err
		}
		sprayer, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.GetSprayer,
			&schedulev1.GetSprayerRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showSprayer(ctx, sprayer)
	})
}

func (a *app) showSprayer(ctx context.Context, sprayer *schedulev1.Sprayer) error {
	return a.show(ctx, sprayer, func(s *sheet) {
		s.fact("Sprayer", shortName(sprayer.GetName()))
		s.fact("Name", sprayer.GetDisplayName())
		s.fact("Tank", amount(sprayer.GetTankVolume()))
		s.fact("Methods", wordsOf(sprayer.GetMethods()))
		s.fact("Out of service", yes(sprayer.GetOutOfService()))
		s.fact("Smallest load", amount(sprayer.GetSmallestLoad()))
		s.fact("Filled in steps of", amount(sprayer.GetGraduation()))
		if sprayer.GetOutputPerMinute() != nil {
			s.fact("Puts out", amount(sprayer.GetOutputPerMinute())+" in a minute")
		}
		s.fact("Plants dipped in an hour", positive(sprayer.GetPlantsPerHour()))
		s.fact("Mixing a load takes", minutes(sprayer.GetMixMinutes()))
		s.fact("A rinse takes", minutes(sprayer.GetRinseMinutes()))
		s.fact("Water of a rinse", amount(sprayer.GetRinseVolume()))
		s.fact("ETag", sprayer.GetEtag())
	})
}

func sprayerFlags(flags *pflag.FlagSet, sprayer *schedulev1.Sprayer) {
	flags.StringVar(&sprayer.DisplayName, "display-name", "", "what people call it")
	quantityFlag(flags, &sprayer.TankVolume, "tank-volume", "tank or bath volume, as in 100L")
	enumsFlag(flags, &sprayer.Methods, "methods", "methods it can be used for")
	flags.BoolVar(&sprayer.OutOfService, "out-of-service", false, "it cannot be used; --out-of-service=false ends that")
	quantityFlag(flags, &sprayer.SmallestLoad, "smallest-load", "the least mix that it can be filled with, as in 5L")
	quantityFlag(flags, &sprayer.Graduation, "graduation", "the step in which it can be filled, as in 1L")
	quantityFlag(flags, &sprayer.OutputPerMinute, "output-per-minute", "mix that it puts out in a minute of work, as in 2L; without it no spray or drench is planned with it")
	flags.Int32Var(&sprayer.PlantsPerHour, "plants-per-hour", 0, "plants dipped in an hour; without it no bath is planned with it")
	flags.Int32Var(&sprayer.MixMinutes, "mix-minutes", 0, "minutes to measure out, mix and fill one load")
	flags.Int32Var(&sprayer.RinseMinutes, "rinse-minutes", 0, "minutes of a rinse between two different mixes")
	quantityFlag(flags, &sprayer.RinseVolume, "rinse-volume", "water of a rinse, as in 10L")
}

// positive writes a number; empty when it is not set.
func positive(number int32) string {
	if number <= 0 {
		return ""
	}
	return fmt.Sprint(number)
}

// minutes writes a length of time; empty when there is none.
func minutes(number int32) string {
	if number <= 0 {
		return ""
	}
	return fmt.Sprintf("%d min", number)
}

func (a *app) sprayerCreate() *cobra.Command {
	request := &schedulev1.CreateSprayerRequest{Sprayer: &schedulev1.Sprayer{}}
	cmd := a.command(text{
		use: "create SPRAYER", short: "Add a sprayer", long: "Adds a sprayer, a drench cart or a bath station. Managers and owners only.",
		example: `  velamen schedule sprayer create tank-1 --display-name "Cart 1" --tank-volume 100L --methods spray,drench \
    --smallest-load 5L --graduation 1L --output-per-minute 2L --mix-minutes 15 --rinse-minutes 10 --rinse-volume 20L
  velamen schedule sprayer create bath-1 --display-name "Bath 1" --tank-volume 60L --methods bath --plants-per-hour 240 --mix-minutes 10`,
	}, func(ctx context.Context, args []string) (err error) {
		request.SprayerId = args[0]
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		sprayer, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.CreateSprayer, request)
		if err != nil {
			return err
		}
		return a.showSprayer(ctx, sprayer)
	})
	sprayerFlags(cmd.Flags(), request.GetSprayer())
	return needs(cmd, "display-name", "tank-volume", "methods")
}

func (a *app) sprayerUpdate() *cobra.Command {
	request := &schedulev1.UpdateSprayerRequest{Sprayer: &schedulev1.Sprayer{}}
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "update SPRAYER", short: "Change a sprayer", long: "Changes what is given; the rest stays. Managers and owners only.",
		example: "  velamen schedule sprayer update tank-1 --out-of-service",
	}, func(ctx context.Context, args []string) (err error) {
		if request.UpdateMask, err = changed(cmd.Flags(), request.GetSprayer()); err != nil {
			return err
		}
		if request.Sprayer.Name, err = a.name("SPRAYER", args[0], "sprayers"); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		sprayer, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.UpdateSprayer, request)
		if err != nil {
			return err
		}
		return a.showSprayer(ctx, sprayer)
	})
	sprayerFlags(cmd.Flags(), request.GetSprayer())
	etagFlag(cmd, &request.Sprayer.Etag)
	return cmd
}

func (a *app) jobs() *cobra.Command {
	var limit int
	var openBy string
	cmd := a.command(text{
		use: "jobs", short: "List the steps that can be done, most urgent first",
		long:    "Lists the steps that are open now, or will be by a time: overdue ones first, then by due time.",
		example: "  velamen schedule jobs\n  velamen schedule jobs --open-by \"2026-03-06 17:00\"",
	}, func(ctx context.Context, _ []string) (err error) {
		request := &schedulev1.ListJobsRequest{}
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.OpenBy, err = a.moment(ctx, "--open-by", openBy); err != nil {
			return err
		}
		jobs, err := gather(limit, func(size int32, token string) (*schedulev1.ListJobsResponse, error) {
			request.PageSize, request.PageToken = size, token
			return call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.ListJobs, request)
		})
		if err != nil {
			return err
		}
		return a.showWithCaution(ctx, jobs, func(s *sheet) {
			if s.none(len(jobs.GetJobs()), "such jobs") {
				return
			}
			s.row("STEP", "WHAT", "HOUSES", "PLANTS", "DUE", "SPRAYERS", "WHY NOW")
			for _, job := range jobs.GetJobs() {
				s.row(shortName(job.GetStep().GetName()), job.GetStep().GetTitle(), shortNames(job.GetHouses()), job.GetPlants(),
					s.when(job.GetStep().GetDueTime()), shortNames(job.GetSprayers()), job.GetUrgency())
			}
			s.more(jobs.GetNextPageToken())
		})
	})
	cmd.Flags().StringVar(&openBy, "open-by", "", `steps that open by this time (default: now), as in "2026-03-06 17:00"`)
	limitFlag(cmd, &limit)
	return cmd
}
