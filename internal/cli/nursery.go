package cli

import (
	"context"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/datafolder"
)

func (a *app) nurseryCommand() *cobra.Command {
	return group("nursery", "Set a nursery up and change it",
		"A nursery is one business: it owns all houses, plants, people and records.",
		a.nurserySetUp(), a.nurseryGet(), a.nurseryUpdate())
}

func nurseryFlags(flags *pflag.FlagSet, nursery *identityv1.Nursery) {
	flags.StringVar(&nursery.DisplayName, "display-name", "", "what people call it")
	flags.StringVar(&nursery.TimeZone, "time-zone", "", "IANA time zone in which days are counted, as in Africa/Johannesburg")
	flags.StringVar(&nursery.Jurisdiction, "jurisdiction", "", "law that applies: an ISO 3166-1 country (ZA, DE), or one with its subdivision (US-CA)")
	flags.StringVar(&nursery.Address, "address", "", "postal address that stands on records")
	flags.StringVar(&nursery.OperatorId, "operator-id", "", "number that the authority gave the operator of the property, for use reports")
	flags.StringVar(&nursery.County, "county", "", "county or district that use is reported to")
	flags.StringVar(&nursery.EmergencyPhone, "emergency-phone", "", "telephone number of medical care nearby, for displays")
	flags.StringVar(&nursery.EmergencyCare, "emergency-care", "", "name and address of the nearest place of emergency medical care")
}

func (a *app) nurserySetUp() *cobra.Command {
	request := &identityv1.SetUpNurseryRequest{Nursery: &identityv1.Nursery{}}
	var passwordFile, keyFile string
	cmd := a.command(text{
		use:   "set-up NURSERY",
		short: "Set a nursery up with its first owner",
		long: `Sets a nursery up and adds its first owner, who signs in afterwards and adds the
other people. It needs the setup key, which velamen up keeps in its data folder:
whoever can read that file may set nurseries up. The owner's password has 10 to
200 characters.

The jurisdiction decides which laws bind. It is the ISO 3166-1 code of the country
in capitals, for example ZA or DE, or with a hyphen the ISO 3166-2 code of a
subdivision, for example US-CA. EL and UK are taken for GR and GB. EU is refused:
enter the member state, and the EU's law binds there. A country that there is not
is refused; the part after the hyphen velamen cannot check.`,
		example: `  velamen nursery set-up vanda --display-name "Vanda House" --time-zone Africa/Johannesburg \
    --jurisdiction ZA --owner olwen --owner-name "Olwen Owner" --password-file olwen.password`,
	}, func(ctx context.Context, args []string) error {
		request.NurseryId = args[0]
		return a.setUpNursery(ctx, request, passwordFile, keyFile)
	})
	flags := cmd.Flags()
	nurseryFlags(flags, request.GetNursery())
	flags.StringVar(&request.OwnerId, "owner", "", "id of the owner, with which they sign in")
	flags.StringVar(&request.OwnerDisplayName, "owner-name", "", "the owner's name as it stands on records")
	flags.StringVar(&keyFile, "setup-key-file", datafolder.Default().SetupKeyFile(), "file with the setup key")
	FromEnvironment(flags, "setup-key-file")
	passwordFileFlag(cmd, &passwordFile)
	return needs(cmd, "display-name", "time-zone", "jurisdiction", "owner", "owner-name")
}

func (a *app) setUpNursery(ctx context.Context, request *identityv1.SetUpNurseryRequest, passwordFile, keyFile string) (err error) {
	if request.SetupKey, err = datafolder.ReadSetupKey(keyFile); err != nil {
		return usagef("--setup-key-file: %w", err)
	}
	if request.OwnerPassword, err = a.password(ctx, "Password for the owner: ", passwordFile); err != nil {
		return err
	}
	if request.RequestId, err = a.change(); err != nil {
		return err
	}
	conn, err := a.client()
	if err != nil {
		return err
	}
	nursery, err := identityv1.NewIdentityServiceClient(conn).SetUpNursery(ctx, request)
	if err != nil {
		return err
	}
	return a.show(ctx, nursery, func(s *sheet) {
		s.line("The nursery %s is set up.", nursery.GetDisplayName())
		s.line("Next: velamen sign-in --person %s/people/%s", nursery.GetName(), request.GetOwnerId())
	})
}

func (a *app) nurseryGet() *cobra.Command {
	return a.command(text{
		use:     "get",
		short:   "Show the nursery",
		long:    "Shows the nursery of the signed-in person, or the one that --nursery names.",
		example: "  velamen nursery get\n  velamen nursery get --json",
	}, func(ctx context.Context, _ []string) error {
		name, err := a.parent()
		if err != nil {
			return err
		}
		nursery, err := call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.GetNursery,
			&identityv1.GetNurseryRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showNursery(ctx, nursery)
	})
}

func (a *app) nurseryUpdate() *cobra.Command {
	request := &identityv1.UpdateNurseryRequest{Nursery: &identityv1.Nursery{}}
	var cmd *cobra.Command
	cmd = a.command(text{
		use:   "update",
		short: "Change the nursery",
		long:  "Changes what is given; the rest stays. Owners only.",
		example: `  velamen nursery update --address "Bougainvillea Road 1, Pretoria"
  velamen nursery update --emergency-phone "012 555 0100" --emergency-care "Example Clinic, Main Road 2"`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.UpdateMask, err = changed(cmd.Flags(), request.GetNursery()); err != nil {
			return err
		}
		if request.Nursery.Name, err = a.parent(); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		nursery, err := call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.UpdateNursery, request)
		if err != nil {
			return err
		}
		return a.showNursery(ctx, nursery)
	})
	nurseryFlags(cmd.Flags(), request.GetNursery())
	etagFlag(cmd, &request.Nursery.Etag)
	return cmd
}

func etagFlag(cmd *cobra.Command, etag *string) {
	cmd.Flags().StringVar(etag, "etag", "", "refuse when it was changed since this etag was read")
}

func (a *app) showNursery(ctx context.Context, nursery *identityv1.Nursery) error {
	return a.show(ctx, nursery, func(s *sheet) {
		s.fact("Nursery", nursery.GetName())
		s.fact("Name", nursery.GetDisplayName())
		s.fact("Time zone", nursery.GetTimeZone())
		s.fact("Jurisdiction", nursery.GetJurisdiction())
		s.fact("Address", nursery.GetAddress())
		s.fact("Operator number", orNotEntered(nursery.GetOperatorId()))
		s.fact("County", orNotEntered(nursery.GetCounty()))
		s.fact("Emergency phone", orNotEntered(nursery.GetEmergencyPhone()))
		s.fact("Emergency care", orNotEntered(nursery.GetEmergencyCare()))
		s.fact("Set up", s.when(nursery.GetCreateTime()))
		s.fact("ETag", nursery.GetEtag())
	})
}
