package command

import (
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/panel"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func (p *program) panel() *cobra.Command {
	c := &cobra.Command{
		Use:   "panel",
		Short: "Plan, lead and read blind cuppings",
		Long: `panel leads a blind cupping: plan it, open it and give every assessor the own link,
close it once all is in, and read what it came to. What the codes stand for is said by
nobody before the close; whoever sets the table finds it in a file of the hub's own.`,
	}
	c.AddCommand(p.panelPlan(), p.panelOpen(), p.panelList(), p.panelShow(), p.panelBallot(), p.panelClose(), p.panelResults(), p.panelAssessors())
	return c
}

func (p *program) panels() (pb.PanelServiceClient, error) {
	conn, err := p.dial()
	return pb.NewPanelServiceClient(conn), err
}

func (p *program) panelPlan() *cobra.Command {
	r := &pb.PlanSessionRequest{}
	var file string
	var codes []uint
	c := &cobra.Command{
		Use:               "plan SAMPLE SAMPLE ...",
		Short:             "Draw codes and orders for a cupping of samples",
		Example:           `  evenctl panel plan K-014 K-015 K-016 --assessor Ilka --assessor Oren --doubles 1`,
		Args:              arguments(2, -1, "the codes of two SAMPLEs or more"),
		ValidArgsFunction: complete(p.codes()),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.panels()
			if err != nil {
				return err
			}
			r.RequestId, r.Person = p.requestID(), p.person
			for _, code := range args {
				sample, roast, _ := strings.Cut(code, "@")
				r.Samples = append(r.Samples, &pb.PanelSample{Sample: sample, Roast: roast})
			}
			for _, n := range codes {
				r.Codes = append(r.Codes, uint32(min(n, 1<<20)))
			}
			if file != "" {
				if r.Form, err = formIn(file); err != nil {
					return err
				}
				r.FormName = ""
			}
			a, err := client.PlanSession(c.Context(), r)
			if err != nil {
				return err
			}
			return p.done(a, "%s is planned, with %d cups.\nWhat to pour under which code stands in %s in the hub's data folder:\nfor whoever sets the table, and for no assessor.", a.GetSession(), len(a.GetCodes()), a.GetKeyFile())
		},
	}
	f := c.Flags()
	f.StringSliceVar(&r.Assessors, "assessor", nil, "`name` of an assessor; once for each")
	f.StringVar(&r.FormName, "form", "affective", "`name` of the form")
	f.StringVar(&file, "form-file", "", "`file` with a form of your own, in JSON")
	f.StringVar(&r.Title, "title", "", "what the session is about")
	f.StringVar(&r.Session, "session", "", "`name` of the session; without it the hub gives one")
	f.Uint32Var(&r.Doubles, "doubles", 0, "how many samples are served twice")
	f.UintSliceVar(&codes, "codes", nil, "`codes` that are on the cups already")
	return p.writes(c)
}

// formIn reads a form from a file, which may hold it alone or in a list.
func formIn(file string) (*pb.CuppingForm, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, usage("--form-file: %v", err)
	}
	if !strings.HasPrefix(strings.TrimSpace(string(text)), "[") {
		text = []byte("[" + string(text) + "]")
	}
	forms, err := panel.ParseForms(text)
	if err != nil || len(forms) != 1 {
		return nil, usage("--form-file %s: it is to hold one form, and holds %d: %v", file, len(forms), err)
	}
	return forms[0].Message(), nil
}

func (p *program) panelOpen() *cobra.Command {
	var hours uint32
	var board string
	c := &cobra.Command{
		Use:   "open SESSION",
		Short: "Open a cupping, and print a link for each assessor",
		Long: `open lets assessors in, and prints a link for each: it is that person's alone, and
good for nothing but tasting in this session. Opened once more, it gives new links, and
those before end.`,
		Example: `  evenctl panel open P-0001 --board https://bench.lan:7414`,
		Args:    arguments(1, 1, "a SESSION"),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.panels()
			if err != nil {
				return err
			}
			a, err := client.OpenSession(c.Context(), &pb.OpenSessionRequest{RequestId: p.requestID(), Person: p.person, Session: args[0], Hours: hours})
			if err != nil {
				return err
			}
			return p.print(a, func(w io.Writer) error {
				base := strings.TrimSuffix(board, "/")
				if base == "" {
					base = "http://" + a.GetAddress()
					if a.GetTls() {
						base = "https://" + a.GetAddress()
					}
				}
				fmt.Fprintf(w, "%s is open. The links last until %s.\n", args[0], p.style().Stamp(a.GetUntil()))
				for _, l := range a.GetLinks() {
					fmt.Fprintf(w, "\n%s\n  %s%s\n", l.GetAssessor(), base, l.GetPath())
				}
				return nil
			})
		},
	}
	c.Flags().Uint32Var(&hours, "hours", 12, "how long the links last")
	c.Flags().StringVar(&board, "board", "", "`address` that phones reach the hub's pages on; without it the one that the hub knows")
	return p.writes(c)
}

func (p *program) panelList() *cobra.Command {
	return &cobra.Command{
		Use: "list", Short: "List cuppings, the latest first", Args: arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			client, err := p.panels()
			if err != nil {
				return err
			}
			a, err := client.ListSessions(c.Context(), &pb.ListSessionsRequest{})
			if err != nil {
				return err
			}
			if p.json {
				return lines(p.Out, a.GetSessions())
			}
			return p.style().PanelSessions(p.Out, a.GetSessions())
		},
	}
}

func (p *program) panelShow() *cobra.Command {
	return &cobra.Command{
		Use: "show SESSION", Short: "Say how far the assessors of a cupping are", Args: arguments(1, 1, "a SESSION"),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.panels()
			if err != nil {
				return err
			}
			a, err := client.GetSession(c.Context(), &pb.GetSessionRequest{Session: args[0]})
			if err != nil {
				return err
			}
			return p.print(a.GetSession(), func(w io.Writer) error { return p.style().PanelProgress(w, a.GetSession()) })
		},
	}
}

func (p *program) panelBallot() *cobra.Command {
	r := &pb.CastBallotRequest{}
	c := &cobra.Command{
		Use:     "ballot SESSION ASSESSOR CODE [ATTRIBUTE=MARK ...]",
		Short:   "Enter what an assessor wrote on paper for a cup",
		Example: `  evenctl panel ballot P-0001 Ilka 345 flavour=7 acidity=8 defective=1 --word citrus`,
		Args:    arguments(3, -1, "a SESSION, an ASSESSOR, a CODE and marks"),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.panels()
			if err != nil {
				return err
			}
			code, err := strconv.ParseUint(args[2], 10, 32)
			if err != nil {
				return usage("CODE %q is no code; give its three digits", args[2])
			}
			s, err := client.GetServing(c.Context(), &pb.GetServingRequest{Session: args[0], Assessor: args[1]})
			if err != nil {
				return err
			}
			if err := marked(r, s.GetForm(), args[3:]); err != nil {
				return err
			}
			r.RequestId, r.Person, r.Session, r.Assessor, r.Code = p.requestID(), p.person, args[0], args[1], uint32(code)
			a, err := client.CastBallot(c.Context(), r)
			switch {
			case err != nil:
				return err
			case a.Score != nil:
				return p.done(a, "Cup %d has %.2f of %s.", code, a.GetScore(), args[1])
			case r.GetAbsent() != "":
				return p.done(a, "Cup %d has no score of %s: %s.", code, args[1], r.GetAbsent())
			}
			return p.done(a, "Kept. Not marked yet: %s.", strings.Join(a.GetMissing(), ", "))
		},
	}
	c.Flags().StringSliceVar(&r.Words, "word", nil, "`word` for what was tasted; once for each")
	c.Flags().StringVar(&r.Note, "note", "", "what else was written")
	c.Flags().StringVar(&r.Absent, "absent", "", "`why` there is no score")
	return p.writes(c)
}

// marked reads marks and counts by the names of a form.
func marked(r *pb.CastBallotRequest, form *pb.CuppingForm, args []string) error {
	for _, arg := range args {
		name, number, _ := strings.Cut(arg, "=")
		name = strings.ReplaceAll(name, "_", " ")
		mark, err := strconv.ParseFloat(number, 64)
		if err != nil {
			return usage("%q is no mark; give one such as flavour=7", arg)
		}
		counted := false
		for _, d := range form.GetDeductions() {
			counted = counted || d.GetName() == name
		}
		if counted {
			r.Counted = append(r.Counted, &pb.BallotCount{Deduction: name, Cups: uint32(mark)})
		} else {
			r.Marks = append(r.Marks, &pb.BallotMark{Attribute: name, Mark: mark})
		}
	}
	return nil
}

func (p *program) panelClose() *cobra.Command {
	r := &pb.CloseSessionRequest{}
	c := &cobra.Command{
		Use:   "close SESSION",
		Short: "End a cupping, and say what its codes stood for",
		Args:  arguments(1, 1, "a SESSION"),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.panels()
			if err != nil {
				return err
			}
			r.RequestId, r.Person, r.Session = p.requestID(), p.person, args[0]
			a, err := client.CloseSession(c.Context(), r)
			if err != nil {
				return err
			}
			if r.GetAbandon() != "" {
				return p.done(a, "%s is given up. Its ballots stay in the record.", args[0])
			}
			return p.done(a, "%s is closed: evenctl panel results %[1]s", args[0])
		},
	}
	c.Flags().StringVar(&r.Force, "force", "", "`why` it is closed though ballots are missing")
	c.Flags().StringVar(&r.Abandon, "abandon", "", "`why` it is given up, without saying what the codes stood for")
	return p.writes(c)
}

func (p *program) panelResults() *cobra.Command {
	return &cobra.Command{
		Use: "results SESSION", Short: "Show the ranking of a cupping that is closed", Args: arguments(1, 1, "a SESSION"),
		RunE: func(c *cobra.Command, args []string) error {
			client, err := p.panels()
			if err != nil {
				return err
			}
			a, err := client.GetResults(c.Context(), &pb.GetResultsRequest{Session: args[0]})
			if err != nil {
				return err
			}
			return p.print(a, func(w io.Writer) error { return p.style().PanelResults(w, a) })
		},
	}
}

func (p *program) panelAssessors() *cobra.Command {
	return &cobra.Command{
		Use: "assessors", Short: "Show bias and repeatability of assessors over all cuppings", Args: arguments(0, 0, ""),
		RunE: func(c *cobra.Command, _ []string) error {
			client, err := p.panels()
			if err != nil {
				return err
			}
			a, err := client.ListAssessors(c.Context(), &pb.ListAssessorsRequest{})
			if err != nil {
				return err
			}
			if p.json {
				return lines(p.Out, a.GetAssessors())
			}
			return p.style().Assessors(p.Out, a.GetAssessors())
		},
	}
}
