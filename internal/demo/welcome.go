package demo

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/clock"
)

// Welcome tells a person how to look around in the demo that is served at an
// address. Commands need to be told of the address when it is not their own
// default.
func Welcome(out io.Writer, address, defaultAddress string, c clock.Clock) error {
	n, err := read()
	if err != nil {
		return fmt.Errorf("the demo's own data: %w", err)
	}
	zone, err := time.LoadLocation(n.TimeZone)
	if err != nil {
		return err
	}
	server := ""
	if address != defaultAddress {
		server = " --server " + address
	}
	manager := n.first(identityv1.Role_ROLE_MANAGER)
	today := c.Now().In(zone)
	var text strings.Builder
	fmt.Fprintf(&text, "\n%s answers at %s, on this machine only.\n", n.DisplayName, address)
	fmt.Fprintln(&text, "Everything in it is invented. The product label and local law decide; ask for licensed advice first.")
	fmt.Fprintln(&text, "\nThe logins are the same in every demo:")
	table := tabwriter.NewWriter(&text, 0, 0, 2, ' ', 0)
	for _, who := range n.People {
		role := strings.ToLower(strings.TrimPrefix(who.Role, "ROLE_"))
		_, _ = fmt.Fprintf(table, "  %s\t%s\tnurseries/%s/people/%s\t%s\n", who.DisplayName, role, n.ID, who.ID, who.Password)
	}
	if err := table.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(&text, "\nTry, in another terminal:")
	fmt.Fprintf(&text, "  echo %s | velamen sign-in%s --person nurseries/%s/people/%s --password-file -\n", manager.Password, server, n.ID, manager.ID)
	fmt.Fprintf(&text, "  velamen schedule jobs%s\n", server)
	fmt.Fprintf(&text, "  velamen schedule plan%s\n", server)
	fmt.Fprintf(&text, "  velamen records house quarantine%s --from %s --to %s\n", server,
		today.AddDate(0, 0, -90).Format(time.DateOnly), today.Format(time.DateOnly))
	fmt.Fprintln(&text, "\nCtrl-C stops it; the next velamen demo goes on where this one stood.")
	_, err = io.WriteString(out, text.String())
	return err
}
