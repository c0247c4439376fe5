package command

import (
	"context"
	"fmt"
	"slices"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// judge shows what would come of what was taken and asks what to do; done, once it is
// recorded. Not done, another point is to be taken.
func (g *guide) judge(ctx context.Context) (done bool, err error) {
	if g.plan.Form == 0 {
		g.plan.Form = forms[0].form
		if counted(g.plan.GetPoints()) < forms[0].least {
			g.plan.Form = forms[1].form
		}
	}
	for {
		g.say("\n")
		tried, err := g.client.TryCalibration(g.patient(ctx, true), &pb.TryCalibrationRequest{Plan: g.plan})
		if refused := answer(err); refused != nil && reason(err) != 0 {
			g.paragraph("That cannot be: %s", plainly(refused.Message()))
			if strings.HasPrefix(refused.Message(), "plunge_") {
				g.plan.PlungeRun, g.plan.PlungeFirstNumber, g.plan.PlungeLastNumber = "", 0, 0
			}
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
			if done, err := g.record(ctx, tried); done || err != nil {
				return done, err
			}
		}
	}
}

// next asks what to do with what was shown, and does it, unless it is to record it (y) or
// to take another point (p).
func (g *guide) next(ctx context.Context, tried *pb.TryCalibrationResponse) (string, error) {
	var keys []string
	if tried != nil && !g.flags.try {
		keys = append(keys, "y: record it")
	}
	keys = append(keys, "p: another point")
	if len(g.plan.GetPoints()) > 0 {
		keys = append(keys, "o: leave a point out", "f: another form")
	}
	if g.kind == "Cel" {
		keys = append(keys, "t: how fast it follows")
	}
	key, err := g.menu(ctx, keys...)
	if err != nil {
		return "", err
	}
	switch key {
	case "o":
		return key, g.leaveOut(ctx)
	case "f":
		return key, g.chooseForm(ctx)
	case "t":
		return key, g.takePlunge(ctx)
	}
	return key, nil
}

// takePlunge takes the readings of a probe that is plunged, by which the hub finds how fast
// it follows.
func (g *guide) takePlunge(ctx context.Context) error {
	g.say("\nHOW FAST IT FOLLOWS\n")
	g.paragraph("You need water that is much warmer or colder than the probe, and is stirred. Hold the probe still in the air first.")
	still, err := g.watchRest(ctx, "Enter, once it rests")
	if err != nil {
		return err
	}
	g.say("Plunge it, at once, and leave it in.\n")
	in, err := g.watchRest(ctx, "Enter, once it rests again")
	if err != nil {
		return err
	}
	if in.GetRun() != still.GetRun() {
		g.say("Its driver was started anew meanwhile: plunge it once more.\n")
		return nil
	}
	g.plan.PlungeRun, g.plan.PlungeFirstNumber, g.plan.PlungeLastNumber = in.GetRun(), still.GetLastNumber(), in.GetLastNumber()
	return nil
}

// watchRest shows the latest readings until a person presses Enter, and returns them.
func (g *guide) watchRest(ctx context.Context, question string) (seen *pb.ReadMeanResponse, err error) {
	g.say("%s:\n", question)
	ask := &pb.ReadMeanRequest{Instrument: g.plan.GetInstrument(), Channel: g.plan.GetChannel(), Latest: latestOfPoint}
	for seen.GetReadings() == 0 {
		_, err = g.watch(ctx, func() (string, error) {
			var err error
			seen, err = g.client.ReadMean(ctx, ask)
			return g.seen(seen), err
		})
		if g.live {
			g.say("\n")
		}
		if err != nil {
			return nil, err
		}
	}
	return seen, nil
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
	i, err := g.choose(ctx, "Which form?", list, 0)
	if err == nil {
		g.plan.Form = of[i]
	}
	return err
}

func (g *guide) leaveOut(ctx context.Context) error {
	n, err := g.number(ctx, "which point? its number; one that is out comes back in", "")
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
		g.say("\n")
		g.paragraph("%s", c.GetText())
		text, err := g.ask(ctx, "I know, and want it so: type yes", "no")
		if err != nil {
			return false, err
		}
		if strings.ToLower(text) != "yes" {
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
	g.say("\n")
	g.paragraph("Recorded as %q. %s", made.GetCalibration(), g.effect())
	tried.Calibration.Id = made.GetCalibration()
	return true, g.draw(tried, g.flags.pictures)
}

// effect says what becomes of what was recorded.
func (g *guide) effect() string {
	if len(g.plan.GetPoints()) == 0 {
		return "It corrects nothing; the bean temperature that is corrected for lag is made with it."
	}
	since := "now"
	if g.plan.GetFrom() != nil {
		since = g.style().Stamp(g.plan.GetFrom())
	}
	return fmt.Sprintf("Readings of %s, %s are corrected with it from %s on.", g.plan.GetInstrument(), g.plan.GetChannel(), since)
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
		g.paragraph("%v", err)
	}
}
