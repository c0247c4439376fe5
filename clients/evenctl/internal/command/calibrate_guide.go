package command

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// guide leads a person through a calibration.
type guide struct {
	*program
	*dialog
	client pb.CalibrationServiceClient
	flags  calibrateFlags

	plan *pb.CalibrationPlan
	unit string
	kind string // what the channel measures, by its unit
}

func (g *guide) run(ctx context.Context, args []string) error {
	g.plan = &pb.CalibrationPlan{}
	if err := g.timed(g.plan, g.flags); err != nil {
		return err
	}
	g.say("Calibration. Nothing is recorded before you say yes at the end; q leaves at any time.\n\n")
	if err := g.chooseChannel(ctx, args); err != nil {
		return err
	}
	if err := g.takePoint(ctx); err != nil {
		return err
	}
	for {
		again, err := g.another(ctx)
		if err != nil {
			return err
		}
		if again {
			if err := g.takePoint(ctx); err != nil {
				return err
			}
			continue
		}
		done, err := g.judge(ctx)
		if done || err != nil {
			return err
		}
	}
}

// chooseChannel settles which channel of which instrument it is.
func (g *guide) chooseChannel(ctx context.Context, args []string) error {
	devices, err := g.devices()
	if err != nil {
		return err
	}
	r, err := devices.ListInstruments(ctx, &pb.ListInstrumentsRequest{})
	if err != nil {
		return err
	}
	var names, shown []string
	for _, i := range r.GetInstruments() {
		if channels := measuring(i); len(channels) > 0 {
			names = append(names, i.GetInstrument())
			shown = append(shown, fmt.Sprintf("%-20s %s", i.GetInstrument(), strings.Join(channels, ", ")))
		}
	}
	at := 0
	switch {
	case len(args) > 0:
		if at = slices.Index(names, args[0]); at < 0 {
			return usage("%s says no numbers now, or the lab has no such instrument; there are %s", args[0], strings.Join(names, ", "))
		}
	case len(names) == 0:
		return usage("no instrument says numbers now: see what is the matter with evenctl instruments")
	default:
		if at, err = g.choose(ctx, "Which instrument?", shown); err != nil {
			return err
		}
	}
	g.plan.Instrument = names[at]
	st := r.GetInstruments()[slices.IndexFunc(r.GetInstruments(), func(i *pb.InstrumentStatus) bool { return i.GetInstrument() == names[at] })]
	channels := measuring(st)
	which := 0
	if len(args) > 1 {
		if which = slices.Index(channels, args[1]); which < 0 {
			return usage("%s has no channel %q that says numbers; there are %s", names[at], args[1], strings.Join(channels, ", "))
		}
	} else if which, err = g.choose(ctx, "Which channel?", channels); err != nil {
		return err
	}
	g.plan.Channel = channels[which]
	for _, l := range st.GetLatest() {
		if l.GetChannel() == g.plan.GetChannel() {
			g.unit, g.kind = show.Unit(l.GetUnit(), ""), l.GetUnit()+l.GetBasis()
		}
	}
	return nil
}

// measuring returns the channels of an instrument that say numbers.
func measuring(i *pb.InstrumentStatus) []string {
	var names []string
	for _, l := range i.GetLatest() {
		if l.GetUnit() != "" {
			names = append(names, l.GetChannel())
		}
	}
	return names
}

// means are what a point can be, with what a person reads, by what the channel measures; the
// last one is for all.
var means = []struct {
	of   string // begins what the channel measures
	is   pb.ReferenceMeans
	text string
}{
	{"Cel", pb.ReferenceMeans_REFERENCE_MEANS_ICE, "melting ice in water, stirred: 0 °C"},
	{"Cel", pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER, "boiling water: what the air pressure makes it"},
	{"g", pb.ReferenceMeans_REFERENCE_MEANS_WEIGHT, "a check weight"},
	{"%wet", pb.ReferenceMeans_REFERENCE_MEANS_OVEN, "a sample whose moisture was found in the oven"},
	{"%dry", pb.ReferenceMeans_REFERENCE_MEANS_OVEN, "a sample whose moisture was found in the oven"},
	{"1", pb.ReferenceMeans_REFERENCE_MEANS_TILE, "a tile of known colour"},
	{"", pb.ReferenceMeans_REFERENCE_MEANS_PAIRED, "the same thing on another instrument, which is to be believed"},
	{"", pb.ReferenceMeans_REFERENCE_MEANS_OTHER, "something else whose value is known"},
}

// takePoint asks for the reference and takes the reading.
func (g *guide) takePoint(ctx context.Context) error {
	g.say("\nPOINT %d\n", len(g.plan.GetPoints())+1)
	var list []string
	var of []pb.ReferenceMeans
	for _, m := range means {
		if m.of == "" || m.of == g.kind || m.of == "1" && strings.HasPrefix(g.kind, "1") {
			list, of = append(list, m.text), append(of, m.is)
		}
	}
	n, err := g.choose(ctx, "What is it measuring?", list)
	if err != nil {
		return err
	}
	point := &pb.CalibrationPoint{Means: of[n]}
	if err := g.reference(ctx, point); err != nil {
		return err
	}
	if err := g.reading(ctx, point); err != nil {
		return err
	}
	g.plan.Points = append(g.plan.Points, point)
	return nil
}

// reference asks what is known of a point.
func (g *guide) reference(ctx context.Context, point *pb.CalibrationPoint) (err error) {
	switch point.GetMeans() {
	case pb.ReferenceMeans_REFERENCE_MEANS_ICE:
		return nil
	case pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER:
		g.say("The pressure of the air here, in kPa (10 hPa or mbar are 1 kPa), from a barometer in\nthe house. Not from the weather report: that is as if the house stood at the sea.\n")
		point.PressureKpa, err = g.number(ctx, "kPa", "")
		return err
	case pb.ReferenceMeans_REFERENCE_MEANS_WEIGHT:
		if point.Reference, err = g.number(ctx, "its mass, g", ""); err != nil {
			return err
		}
		point.WeightClass, err = g.ask(ctx, "its class (E2 F1 F2 M1 M2 M3), or - to type its uncertainty", "-")
		if point.WeightClass = strings.ToUpper(point.WeightClass); err != nil || point.WeightClass != "-" {
			return err
		}
		point.WeightClass = ""
	default:
		if point.Name, err = g.ask(ctx, "what is it? (for the record)", ""); err != nil {
			return err
		}
		if point.Reference, err = g.number(ctx, "its true value, "+g.unit, ""); err != nil {
			return err
		}
	}
	u, err := g.number(ctx, "how sure is that: ± "+g.unit+" in its certificate (95 %); 0 if nobody knows", "0")
	point.ReferenceUncertainty = u / 2
	return err
}

// latestOfPoint is how many readings a point is the mean of, at most.
const latestOfPoint = 20

// reading takes what the instrument says of a point.
func (g *guide) reading(ctx context.Context, point *pb.CalibrationPoint) error {
	g.say("Enter takes the reading once it rests; or type what the display shows, uncorrected.\n")
	now, err := g.client.ReadMean(ctx, &pb.ReadMeanRequest{Instrument: g.plan.GetInstrument(), Channel: g.plan.GetChannel(), Latest: 1})
	if err != nil {
		return err
	}
	ask := &pb.ReadMeanRequest{
		Instrument: g.plan.GetInstrument(), Channel: g.plan.GetChannel(), Latest: latestOfPoint,
		Run: now.GetRun(), FirstNumber: max(1, now.GetLastNumber()),
	}
	insisted := false
	for {
		var seen *pb.ReadMeanResponse
		typed, err := g.watch(ctx, func() (string, error) {
			var err error
			seen, err = g.client.ReadMean(ctx, ask)
			return g.seen(seen), err
		})
		if g.live {
			g.say("\n")
		}
		if err != nil {
			return err
		}
		if typed != "" {
			v, err := strconv.ParseFloat(strings.Replace(typed, ",", ".", 1), 64)
			if err != nil || v-v != 0 {
				g.say("%q is no number: press Enter, or type one such as 99.97; q leaves.\n", typed)
				continue
			}
			point.Read = v
			return nil
		}
		switch {
		case seen.GetReadings() == 0:
			g.say("It has said nothing since this point began: let it measure, or type what it shows.\n")
			continue
		case !seen.GetSettled() && !insisted:
			g.say("It is still moving. Wait, and press Enter again; pressed now it is taken all the same.\n")
			insisted = true
			continue
		}
		point.Read, point.ReadUncertainty = seen.GetMean(), seen.GetStandardUncertainty()
		point.Run, point.FirstNumber, point.LastNumber = seen.GetRun(), seen.GetFirstNumber(), seen.GetLastNumber()
		g.say("Taken: %s %s, the mean of %d\n", show.Number(point.GetRead(), ""), g.unit, seen.GetReadings())
		return nil
	}
}

// seen puts what the instrument says into a line.
func (g *guide) seen(r *pb.ReadMeanResponse) string {
	n := len(r.GetValues())
	if n == 0 {
		return "waiting for a reading"
	}
	state := "moving"
	if r.GetSettled() {
		state = "AT REST"
	}
	return fmt.Sprintf("%s %s   %-8s mean of %d: %s, scatter %.2g", show.Number(r.GetValues()[n-1], ""), g.unit, state, n, show.Number(r.GetMean(), ""), r.GetSd())
}

// another asks whether a further point is to be taken.
func (g *guide) another(ctx context.Context) (bool, error) {
	n := counted(g.plan.GetPoints())
	hint := ""
	switch n {
	case 1:
		hint = "One point says nothing of whether it was right. "
	case 2:
		hint = "A third point would show whether the two agree. "
	}
	for {
		g.say("\n%s%d point%s so far.\n", hint, n, map[bool]string{true: "", false: "s"}[n == 1])
		text, err := g.ask(ctx, "Enter: another point   f: see the fit", "")
		if err != nil {
			return false, err
		}
		switch strings.ToLower(text) {
		case "":
			return true, nil
		case "f":
			return false, nil
		}
	}
}
