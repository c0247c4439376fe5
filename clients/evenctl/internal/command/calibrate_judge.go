package command

import (
	"context"
	"fmt"
	"slices"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// judge shows what would come of the points and asks what to do; done, once it is recorded.
func (g *guide) judge(ctx context.Context) (done bool, err error) {
	if g.plan.Form == 0 {
		g.plan.Form = forms[0].form
		if counted(g.plan.GetPoints()) < forms[0].least {
			g.plan.Form = forms[1].form
		}
	}
	for {
		tried, err := g.client.TryCalibration(g.patient(ctx, true), &pb.TryCalibrationRequest{Plan: g.plan})
		if refused := answer(err); refused != nil && reason(err) != 0 {
			g.say("\nThat cannot be: %s\n", refused.Message())
			tried = nil
		} else if err != nil {
			return false, err
		} else if err := g.style().Calibration(g.out, tried); err != nil {
			return false, err
		}
		next, err := g.next(ctx, tried)
		switch {
		case err != nil:
			return false, err
		case next == "p":
			return false, nil
		case next == "y":
			return g.record(ctx, tried)
		}
	}
}

// next asks what to do with what was shown, and does it, unless it is to record it (y) or
// to take another point (p).
func (g *guide) next(ctx context.Context, tried *pb.TryCalibrationResponse) (string, error) {
	question := "\ny: record it   p: another point   o: leave a point out   f: another form   q: leave"
	if tried == nil || g.flags.try {
		question = "\np: another point   o: leave a point out   f: another form   q: leave"
	}
	for {
		text, err := g.ask(ctx, question, "")
		if err != nil {
			return "", err
		}
		switch text = strings.ToLower(text); {
		case text == "y" && tried != nil && !g.flags.try, text == "p":
			return text, nil
		case text == "o":
			return text, g.leaveOut(ctx)
		case text == "f":
			return text, g.chooseForm(ctx)
		}
	}
}

func (g *guide) chooseForm(ctx context.Context) error {
	var list []string
	var of []pb.CalibrationForm
	n := counted(g.plan.GetPoints())
	for _, f := range forms {
		if n >= f.least {
			list, of = append(list, fmt.Sprintf("%-16s %s", formName(f.form), f.reason)), append(of, f.form)
		}
	}
	i, err := g.choose(ctx, "Which form?", list)
	if err == nil {
		g.plan.Form = of[i]
	}
	return err
}

func (g *guide) leaveOut(ctx context.Context) error {
	n, err := g.number(ctx, "which point (its number); one that is out comes back in", "")
	if err != nil {
		return err
	}
	i := int(n) - 1
	if i < 0 || i >= len(g.plan.GetPoints()) {
		g.say("There are points 1 to %d.\n", len(g.plan.GetPoints()))
		return nil
	}
	point := g.plan.GetPoints()[i]
	if point.GetLeftOut() != "" {
		point.LeftOut = ""
		return nil
	}
	why, err := g.ask(ctx, "why? (for the record)", "")
	if why == "" && err == nil {
		g.say("A point is left out only with a reason.\n")
		return nil
	}
	point.LeftOut = why
	return err
}

// record asks for what has to be confirmed, and records.
func (g *guide) record(ctx context.Context, tried *pb.TryCalibrationResponse) (bool, error) {
	confirmed := slices.Clone(g.flags.confirm)
	for _, c := range tried.GetConcerns() {
		if slices.Contains(confirmed, c.GetCode()) {
			continue
		}
		g.say("\n%s\n", c.GetText())
		text, err := g.ask(ctx, "I know, and want it so: type yes", "no")
		if err != nil {
			return false, err
		}
		if text != "yes" {
			g.say("Not recorded.\n")
			return false, nil
		}
		confirmed = append(confirmed, c.GetCode())
	}
	var err error
	if g.plan.Until == nil {
		if err = g.askUntil(ctx); err != nil {
			return false, err
		}
	}
	if g.plan.Reason == "" {
		if g.plan.Reason, err = g.ask(ctx, "why is it made? (for the record; Enter for none)", ""); err != nil {
			return false, err
		}
	}
	made, err := g.client.MakeCalibration(g.patient(ctx, true), &pb.MakeCalibrationRequest{RequestId: g.requestID(), Person: g.person, Plan: g.plan, Confirmed: confirmed})
	if err != nil {
		return false, err
	}
	since := "now"
	if g.plan.GetFrom() != nil {
		since = g.style().Stamp(g.plan.GetFrom())
	}
	g.say("\nRecorded as %q. Readings of %s, %s are corrected with it from %s on.\n", made.GetCalibration(), g.plan.GetInstrument(), g.plan.GetChannel(), since)
	tried.Calibration.Id = made.GetCalibration()
	return true, g.draw(tried, g.flags.pictures)
}

// askUntil asks how long the calibration is valid.
func (g *guide) askUntil(ctx context.Context) error {
	for {
		text, err := g.ask(ctx, "valid until (a day, as 2027-05-01; Enter for no end)", "")
		if err != nil {
			return err
		}
		if g.plan.Until, err = g.day("valid until", text, true); err == nil {
			return nil
		}
		g.say("%v\n", err)
	}
}
