// Package command is the commands of evenctl.
package command

import (
	"context"
	"io"
	"os"
	"os/user"
	"runtime/debug"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"github.com/evenbench/evenbench/clients/follow"
	"github.com/evenbench/evenbench/clients/show"
)

// Surroundings are what a run of evenctl finds around it.
type Surroundings struct {
	Out, Err io.Writer
	// In is what a person types; nil: nothing.
	In io.Reader
	// Getenv reads the environment.
	Getenv func(string) string
	// Live says that Out is a terminal, on which a line can be written over.
	Live bool
	// Colour says that Out is a terminal that shows colour.
	Colour bool
	// Zone of the times shown; nil: local.
	Zone *time.Location
}

// Terminal returns the surroundings of a process.
func Terminal() Surroundings {
	info, err := os.Stdout.Stat()
	onScreen := err == nil && info.Mode()&os.ModeCharDevice != 0
	return Surroundings{
		Out: os.Stdout, Err: os.Stderr, In: os.Stdin, Getenv: os.Getenv, Live: onScreen,
		Colour: onScreen && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb",
	}
}

// program is one run of evenctl.
type program struct {
	Surroundings

	hub, person string
	credentials follow.Credentials
	timeout     time.Duration
	json, utc   bool
	// Request id of the write; made afresh if not given.
	request string

	conn *grpc.ClientConn
	// Whether the command line was understood and the command begun.
	begun bool
}

// Run runs evenctl with arguments and returns its exit code.
func Run(ctx context.Context, args []string, s Surroundings) int {
	p := &program{Surroundings: s}
	root := p.root()
	root.SetArgs(args)
	root.SetOut(s.Out)
	root.SetErr(s.Err)
	err := root.ExecuteContext(ctx)
	if p.conn != nil {
		p.conn.Close()
	}
	return p.report(ctx, err)
}

func (p *program) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "evenctl",
		Short: "Follow, run and check the record of a sample lab",
		Long: `evenctl speaks to the hub of a green-coffee sample lab. It follows the record as
it grows, shows samples, stations and instruments, writes down what people do
at the bench, audits the record and exports it.

Stations come last, as in "put this there":  evenctl queue K-014 drum-1`,
		Version:       version(),
		SilenceErrors: true,
		SilenceUsage:  true,
		PersistentPreRun: func(*cobra.Command, []string) {
			p.begun = true
		},
	}
	root.SetVersionTemplate("evenctl {{.Version}}\n")
	f := root.PersistentFlags()
	f.StringVar(&p.hub, "hub", p.setting("EVENBENCH_HUB", "127.0.0.1:7413"), "`address` of the hub (EVENBENCH_HUB)")
	f.StringVar(&p.person, "person", p.setting("EVENBENCH_PERSON", userName()), "`name` to write under (EVENBENCH_PERSON)")
	p.credentials = follow.CredentialsFrom(func(name string) string { return p.setting(name, "") })
	f.StringVar(&p.credentials.CA, "ca", p.credentials.CA, "`file` of the lab's authority, for a hub that asks for credentials (EVENBENCH_CA)")
	f.StringVar(&p.credentials.Certificate, "certificate", p.credentials.Certificate, "`file` of your certificate (EVENBENCH_CERTIFICATE)")
	f.StringVar(&p.credentials.Key, "key", p.credentials.Key, "`file` of its key (EVENBENCH_KEY)")
	f.StringVar(&p.credentials.TokenFile, "token-file", p.credentials.TokenFile, "`file` of your token instead (EVENBENCH_TOKEN_FILE, or EVENBENCH_TOKEN for the token itself)")
	f.DurationVar(&p.timeout, "timeout", 10*time.Second, "how long to wait for an answer")
	f.BoolVar(&p.json, "json", false, "print JSON, one object a line")
	f.BoolVar(&p.utc, "utc", false, "show times in UTC instead of local time")

	root.AddGroup(&cobra.Group{ID: "look", Title: "Look:"}, &cobra.Group{ID: "write", Title: "Write down:"}, &cobra.Group{ID: "keep", Title: "Keep:"}, &cobra.Group{ID: "hand", Title: "Hand over:"})
	add := func(group string, commands ...*cobra.Command) {
		for _, c := range commands {
			c.GroupID = group
			root.AddCommand(c)
		}
	}
	add("look", p.follow(), p.samples(), p.sample(), p.verdicts(), p.explain(), p.stations(), p.roasts(), p.compare(), p.matching(), p.decisionList(), p.instruments(), p.calibrationList())
	add("write", p.register(), p.amend(), p.queue(), p.unqueue(), p.place(), p.remove(), p.mark(), p.assign(), p.note(), p.check(), p.calibrate(), p.panel(), p.decide())
	add("keep", p.status(), p.audit(), p.export(), p.reload())
	add("hand", p.bundle(), p.verify(), p.checkpoint(), p.witness(), p.cosign(), p.sink())
	root.AddCommand(exitCodes())
	return root
}

// setting returns an environment variable, or what stands where it is not set.
func (p *program) setting(name, otherwise string) string {
	if p.Getenv != nil {
		if v := p.Getenv(name); v != "" {
			return v
		}
	}
	return otherwise
}

func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return ""
}

func version() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		return info.Main.Version
	}
	return "unknown"
}

// style returns how to show things to people.
func (p *program) style() show.Style {
	s := show.Style{Zone: p.Zone, Colour: p.Colour}
	if p.utc {
		s.Zone = time.UTC
	}
	return s
}
