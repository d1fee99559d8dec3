package cli

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	identityv1 "velamen/gen/velamen/identity/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) peopleCommand() *cobra.Command {
	return group("people", "The people who work in the nursery",
		"People sign in with their id and a password; their role says what they may do.",
		a.peopleList(), a.personGet(), a.personCreate(), a.personUpdate(),
		a.qualify(), a.qualifications(), a.voidQualification(), a.expiries())
}

func (a *app) peopleList() *cobra.Command {
	var limit int
	cmd := a.command(text{
		use: "list", short: "List the people", long: "Lists the people of the nursery by name.",
		example: "  velamen people list",
	}, func(ctx context.Context, _ []string) error {
		parent, err := a.parent()
		if err != nil {
			return err
		}
		people, err := gather(limit, func(size int32, token string) (*identityv1.ListPeopleResponse, error) {
			return call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.ListPeople,
				&identityv1.ListPeopleRequest{Parent: parent, PageSize: size, PageToken: token})
		})
		if err != nil {
			return err
		}
		return a.show(ctx, people, func(s *sheet) {
			if s.none(len(people.GetPeople()), "people") {
				return
			}
			s.row("PERSON", "NAME", "ROLE", "CERTIFICATES", "DISABLED")
			for _, person := range people.GetPeople() {
				s.row(shortName(person.GetName()), person.GetDisplayName(), word(person.GetRole()), certificates(person), yes(person.GetDisabled()))
			}
			s.more(people.GetNextPageToken())
		})
	})
	limitFlag(cmd, &limit)
	return cmd
}

func certificates(person *identityv1.Person) string {
	texts := make([]string, len(person.GetCertificates()))
	for i, certificate := range person.GetCertificates() {
		texts[i] = fmt.Sprintf("%s until %s", certificate.GetNumber(), certificate.GetExpireDate().GetValue())
	}
	return strings.Join(texts, ", ")
}

func (a *app) personGet() *cobra.Command {
	return a.command(text{
		use: "get PERSON", short: "Show one person", long: "Shows one person with their certificates.",
		example: "  velamen people get wandile",
	}, func(ctx context.Context, args []string) error {
		name, err := a.name("PERSON", args[0], "people")
		if err != nil {
			return err
		}
		person, err := call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.GetPerson,
			&identityv1.GetPersonRequest{Name: name})
		if err != nil {
			return err
		}
		return a.showPerson(ctx, person)
	})
}

func (a *app) showPerson(ctx context.Context, person *identityv1.Person) error {
	return a.show(ctx, person, func(s *sheet) {
		s.fact("Person", person.GetName())
		s.fact("Name", person.GetDisplayName())
		s.fact("Role", word(person.GetRole()))
		for _, certificate := range person.GetCertificates() {
			s.fact("Certificate", strings.TrimSpace(fmt.Sprintf("%s %s, until %s",
				certificate.GetNumber(), certificate.GetCategory(), certificate.GetExpireDate().GetValue())))
		}
		s.fact("Disabled", yes(person.GetDisabled()))
		s.fact("Added", s.when(person.GetCreateTime()))
		s.fact("ETag", person.GetEtag())
	})
}

func personFlags(flags *pflag.FlagSet, person *identityv1.Person) {
	flags.StringVar(&person.DisplayName, "display-name", "", "name as it stands on records")
	enumFlag(flags, &person.Role, "role", "what they may do")
	flags.Var(&parsed{kind: "number:day", parse: func(typed string) error {
		certificate, err := parseCertificate(typed)
		person.Certificates = append(person.Certificates, certificate)
		return err
	}}, "certificates", "certificate as NUMBER:LAST-DAY or NUMBER:LAST-DAY:CATEGORY (may be repeated); on update these replace all earlier ones")
}

// parseCertificate reads "A-123:2027-06-30:category".
func parseCertificate(typed string) (*identityv1.Certificate, error) {
	parts := strings.SplitN(typed, ":", 3)
	if len(parts) < 2 || parts[0] == "" {
		return nil, fmt.Errorf("%q is not a certificate such as A-123:2027-06-30", typed)
	}
	day, err := parseDay("the last day", parts[1])
	if err != nil {
		return nil, err
	}
	certificate := &identityv1.Certificate{Number: parts[0], ExpireDate: &typev1.Date{Value: day.GetValue()}}
	if len(parts) == 3 {
		certificate.Category = parts[2]
	}
	return certificate, nil
}

func (a *app) personCreate() *cobra.Command {
	request := &identityv1.CreatePersonRequest{Person: &identityv1.Person{}}
	var passwordFile string
	cmd := a.command(text{
		use:   "create PERSON",
		short: "Add a person",
		long: `Adds a person with a first password of 10 to 200 characters, which is asked for
or read from --password-file. Owners only.`,
		example: `  velamen people create wandile --display-name "Wandile Worker" --role worker --password-file wandile.password
  velamen people create mira --display-name "Mira Manager" --role manager --certificates P-77:2027-06-30`,
	}, func(ctx context.Context, args []string) (err error) {
		request.PersonId = args[0]
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Password, err = a.password(ctx, "Password for "+args[0]+": ", passwordFile); err != nil {
			return err
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		person, err := call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.CreatePerson, request)
		if err != nil {
			return err
		}
		return a.showPerson(ctx, person)
	})
	personFlags(cmd.Flags(), request.GetPerson())
	passwordFileFlag(cmd, &passwordFile)
	return needs(cmd, "display-name", "role")
}

func (a *app) personUpdate() *cobra.Command {
	request := &identityv1.UpdatePersonRequest{Person: &identityv1.Person{}}
	var passwordFile string
	var newPassword bool
	var cmd *cobra.Command
	cmd = a.command(text{
		use:   "update PERSON",
		short: "Change a person",
		long: `Changes what is given; the rest stays. A new password ends all tokens of the
person. --disabled keeps somebody who left out, and on the records. Owners only.`,
		example: `  velamen people update wandile --disabled
  velamen people update wandile --new-password --password-file wandile.password`,
	}, func(ctx context.Context, args []string) (err error) {
		request.UpdateMask, err = changed(cmd.Flags(), request.GetPerson())
		if err != nil && !newPassword {
			return err
		}
		if request.Person.Name, err = a.name("PERSON", args[0], "people"); err != nil {
			return err
		}
		if newPassword {
			if request.NewPassword, err = a.password(ctx, "New password for "+args[0]+": ", passwordFile); err != nil {
				return err
			}
		}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		person, err := call(ctx, a, identityv1.NewIdentityServiceClient, identityv1.IdentityServiceClient.UpdatePerson, request)
		if err != nil {
			return err
		}
		return a.showPerson(ctx, person)
	})
	personFlags(cmd.Flags(), request.GetPerson())
	cmd.Flags().BoolVar(&request.Person.Disabled, "disabled", false, "the person no longer works here; --disabled=false lets them in again")
	cmd.Flags().BoolVar(&newPassword, "new-password", false, "ask for a new password, or read it from --password-file")
	passwordFileFlag(cmd, &passwordFile)
	etagFlag(cmd, &request.Person.Etag)
	return cmd
}
