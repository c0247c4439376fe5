package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/access"
	"github.com/evenbench/evenbench/internal/access/keys"
	"github.com/evenbench/evenbench/internal/document"
)

// Days that keys hold if nothing else is said. A token is easier to lose.
const (
	certificateDays = 365
	tokenDays       = 90
	mostDays        = 3650
)

func keysCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "keys",
		Short: "Make the keys by which a hub and its clients know each other",
		Long: `keys makes what a hub needs to be reached from other machines: an authority of
the lab's own, the hub's certificate, and a certificate or a token for each
client. It prints the lines for the lab file.

Keep ca.key where only the lab's steward can read it: it makes new clients. The
hub does not need it.`,
		Args: exactly(0, "keys takes one of its commands: make, add, renew or token"),
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(keysMake(), keysAdd(), keysRenew(), keysToken())
	return c
}

func keysMake() *cobra.Command {
	var hosts, clients []string
	var days int
	c := &cobra.Command{
		Use:     "make FOLDER",
		Short:   "Make the authority, the hub's certificate and those of clients",
		Example: `  evenbench keys make keys --host 192.168.1.10 --host hub.lab --client owner=steward --client front-desk=operator`,
		Args:    exactly(1, "keys make takes one folder"),
		RunE: func(c *cobra.Command, args []string) error {
			list, err := parseClients(clients)
			if err != nil {
				return err
			}
			now, end, err := term(days)
			if err != nil {
				return err
			}
			f := keys.Folder(args[0])
			hub, made, err := f.Make(hosts, names(list), now, end)
			if err != nil {
				return err
			}
			out := c.OutOrStdout()
			fmt.Fprintf(out, "# for the lab file; paths are from where it is\naccess:\n  certificate: %s    # holds until %s\n  key: %s\n  authority: %s\n  clients:\n",
				filepath.ToSlash(f.Certificate(keys.HubName)), day(hub.Certificate.NotAfter), filepath.ToSlash(f.Key(keys.HubName)), filepath.ToSlash(f.Certificate(keys.AuthorityName)))
			clientLines(out, list, made)
			handOver(c.ErrOrStderr(), f, list)
			return nil
		},
	}
	c.Flags().StringArrayVar(&hosts, "host", nil, "name or address by which clients reach the hub; may be repeated (localhost always is one)")
	clientFlag(c, &clients)
	daysFlag(c, &days, certificateDays)
	return c
}

func keysAdd() *cobra.Command {
	var days int
	c := &cobra.Command{
		Use:     "add FOLDER NAME=ROLE…",
		Short:   "Make certificates for more clients",
		Example: `  evenbench keys add keys board=observer`,
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usageError{errors.New("keys add takes a folder and one or more clients, as board=observer")}
			}
			list, err := parseClients(args[1:])
			if err != nil {
				return err
			}
			now, end, err := term(days)
			if err != nil {
				return err
			}
			f := keys.Folder(args[0])
			made, err := f.Add(names(list), now, end)
			if err != nil {
				return err
			}
			fmt.Fprintln(c.OutOrStdout(), "# for access: clients: in the lab file; then reload")
			clientLines(c.OutOrStdout(), list, made)
			handOver(c.ErrOrStderr(), f, list)
			return nil
		},
	}
	daysFlag(c, &days, certificateDays)
	return c
}

func keysRenew() *cobra.Command {
	var hosts []string
	var days int
	c := &cobra.Command{
		Use:   "renew FOLDER NAME…",
		Short: "Make new certificates for the same keys, before the old ones end",
		Long: `renew makes a new certificate for the key of the hub (NAME is hub) or of a client.
The old certificate stays beside it under another name. The lab file needs no
change; a hub takes up its new certificate when it reloads.`,
		Example: `  evenbench keys renew keys hub front-desk`,
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usageError{errors.New("keys renew takes a folder and one or more names, such as hub")}
			}
			if len(hosts) > 0 && !slices.Equal(args[1:], []string{keys.HubName}) {
				return usageError{errors.New("--host is for the hub's certificate alone: renew hub by itself")}
			}
			now, end, err := term(days)
			if err != nil {
				return err
			}
			f := keys.Folder(args[0])
			for _, name := range args[1:] {
				p, aside, err := f.Renew(name, hosts, now, end)
				if err != nil {
					return err
				}
				fmt.Fprintf(c.OutOrStdout(), "%s holds until %s; the old one is %s\n", f.Certificate(name), day(p.Certificate.NotAfter), aside)
			}
			return nil
		},
	}
	c.Flags().StringArrayVar(&hosts, "host", nil, "names or addresses instead of the old ones, with hub alone; may be repeated")
	daysFlag(c, &days, certificateDays)
	return c
}

func keysToken() *cobra.Command {
	var days int
	c := &cobra.Command{
		Use:   "token NAME=ROLE",
		Short: "Make a token for a program that cannot use a certificate; it is shown once",
		Args:  exactly(1, "keys token takes one client, as board=observer"),
		RunE: func(c *cobra.Command, args []string) error {
			list, err := parseClients(args)
			if err != nil {
				return err
			}
			_, end, err := term(days)
			if err != nil {
				return err
			}
			token := access.NewToken()
			fmt.Fprintf(c.OutOrStdout(), "# for access: clients: in the lab file; then reload\n    - {name: %s, role: %v, token: %q, until: %s}\n",
				list[0].name, list[0].role, access.TokenDigest(token), day(end))
			fmt.Fprintf(c.OutOrStdout(), "# the token, shown this once: keep it in a file that only %s can read\n%s\n", list[0].name, token)
			return nil
		},
	}
	daysFlag(c, &days, tokenDays)
	return c
}

// namedClient is a client as it is named on the command line.
type namedClient struct {
	name string
	role access.Role
}

func parseClients(texts []string) ([]namedClient, error) {
	var list []namedClient
	for _, text := range texts {
		name, word, _ := strings.Cut(text, "=")
		role, ok := access.ParseRole(word)
		switch {
		case !ok:
			return nil, usageError{fmt.Errorf("client %q has no role: write NAME=ROLE, where ROLE is one of %s", text, strings.Join(access.RoleNames(), ", "))}
		case !document.IsName(name, '-'), name == keys.AuthorityName, name == keys.HubName, name == "driver":
			return nil, usageError{fmt.Errorf("client %q cannot be called %q: use lower case letters, digits and '-', and not ca, hub or driver", text, name)}
		case slices.Contains(names(list), name):
			return nil, usageError{fmt.Errorf("client %s is named twice", name)}
		}
		list = append(list, namedClient{name, role})
	}
	return list, nil
}

func names(list []namedClient) []string {
	out := make([]string, len(list))
	for i, c := range list {
		out[i] = c.name
	}
	return out
}

// clientLines prints the lines of clients for the lab file.
func clientLines(out io.Writer, list []namedClient, made []*keys.Pair) {
	for i, p := range made {
		fmt.Fprintf(out, "    - {name: %s, role: %v, certificate: %s, key: %q}    # holds until %s\n",
			list[i].name, list[i].role, p.Certificate.Subject.CommonName, access.KeyDigest(p.Certificate), day(p.Certificate.NotAfter))
	}
}

// handOver says what each client is given.
func handOver(out io.Writer, f keys.Folder, list []namedClient) {
	for _, c := range list {
		fmt.Fprintf(out, "%s gets %s, %s and %s: by hand, not by mail\n", c.name, f.Certificate(keys.AuthorityName), f.Certificate(c.name), f.Key(c.name))
	}
}

func clientFlag(c *cobra.Command, clients *[]string) {
	c.Flags().StringArrayVar(clients, "client", nil, "client to make a certificate for, as NAME=ROLE; may be repeated")
}

func daysFlag(c *cobra.Command, days *int, otherwise int) {
	c.Flags().IntVar(days, "days", otherwise, "how long it holds")
}

// term returns from when and until when something holds: to the end of its last day.
func term(days int) (now, end time.Time, err error) {
	if days < 1 || days > mostDays {
		return now, end, usageError{fmt.Errorf("--days: %d is not from 1 to %d", days, mostDays)}
	}
	now = time.Now().UTC()
	return now, now.Truncate(24*time.Hour).AddDate(0, 0, days+1).Add(-time.Second), nil
}

func day(t time.Time) string { return t.UTC().Format(time.DateOnly) }
