package command

import (
	"context"
	"fmt"
	"regexp"
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
	kind string            // what the channel measures, by its unit
	last pb.ReferenceMeans // what the point before was said to be
}

func (g *guide) run(ctx context.Context, args []string) error {
	g.plan = &pb.CalibrationPlan{}
	if err := g.timed(g.plan, g.flags); err != nil {
		return err
	}
	g.paragraph("Calibration. Nothing is recorded before you say yes at the end; q leaves at any time.")
	g.say("\n")
	if err := g.chooseChannel(ctx, args); err != nil {
		return err
	}
	first := g.takePoint
	if g.flags.plunge {
		first = g.takePlunge
	}
	if err := first(ctx); err != nil {
		return err
	}
	for {
		again := false
		if len(g.plan.GetPoints()) > 0 {
			var err error
			if again, err = g.another(ctx); err != nil {
				return err
			}
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
		if err := g.takePoint(ctx); err != nil {
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
		if at, err = g.choose(ctx, "Which instrument?", shown, 0); err != nil {
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
	} else if which, err = g.choose(ctx, "Which channel?", channels, 0); err != nil {
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

// takePoint asks for the reference and takes the reading, until there is a point that can
// be one.
func (g *guide) takePoint(ctx context.Context) error {
	for {
		point, err := g.point(ctx)
		if err != nil {
			return err
		}
		refused, err := g.refusedPoint(ctx, point)
		if err != nil {
			return err
		}
		if refused == "" {
			g.plan.Points = append(g.plan.Points, point)
			return nil
		}
		g.say("\n")
		g.paragraph("That cannot be a point: %s. It is not kept: take it again.", strings.TrimSuffix(refused, "."))
	}
}

func (g *guide) point(ctx context.Context) (*pb.CalibrationPoint, error) {
	g.say("\nPOINT %d\n", len(g.plan.GetPoints())+1)
	var list []string
	var of []pb.ReferenceMeans
	usual := 0
	for _, m := range means {
		if m.of == "" || m.of == g.kind || m.of == "1" && strings.HasPrefix(g.kind, "1") {
			if m.is == g.last {
				usual = len(of)
			}
			list, of = append(list, m.text), append(of, m.is)
		}
	}
	n, err := g.choose(ctx, "What is it measuring?", list, usual)
	if err != nil {
		return nil, err
	}
	g.last = of[n]
	point := &pb.CalibrationPoint{Means: g.last}
	if err := g.reference(ctx, point); err != nil {
		return nil, err
	}
	return point, g.reading(ctx, point)
}

// refusedPoint asks the hub whether a point can be one, and returns why it cannot.
func (g *guide) refusedPoint(ctx context.Context, point *pb.CalibrationPoint) (string, error) {
	_, err := g.client.TryCalibration(g.patient(ctx, true), &pb.TryCalibrationRequest{Plan: &pb.CalibrationPlan{
		Instrument: g.plan.GetInstrument(), Channel: g.plan.GetChannel(), Form: pb.CalibrationForm_CALIBRATION_FORM_OFFSET,
		Points: []*pb.CalibrationPoint{point},
	}})
	switch refused := answer(err); {
	case err == nil:
		return "", nil
	case refused == nil || reason(err) == 0:
		return "", err
	case strings.HasPrefix(refused.Message(), "points["):
		return plainly(refused.Message()), nil
	}
	return "", nil // it is about the calibration that one point would be
}

// fieldOf a refusal: points[1].weight_class: …
var fieldOf = regexp.MustCompile(`^([a-z_]+)(?:\[([0-9]+)\])?(?:\.([a-z_]+))?: `)

// plainly says a refusal of a plan in the words of the dialog: of what, and why not.
func plainly(refusal string) string {
	m := fieldOf.FindStringSubmatchIndex(refusal)
	if m == nil {
		return refusal
	}
	part := func(i int) string {
		if m[2*i] < 0 {
			return ""
		}
		return strings.ReplaceAll(refusal[m[2*i]:m[2*i+1]], "_", " ")
	}
	rest := refusal[m[1]:]
	switch {
	case part(3) == "read":
		return "its reading " + rest
	case part(3) != "":
		return "its " + strings.TrimSuffix(part(3), " kpa") + " " + rest
	case strings.HasPrefix(part(1), "plunge"):
		return rest
	}
	return "the " + part(1) + " " + rest
}

// reference asks what is known of a point.
func (g *guide) reference(ctx context.Context, point *pb.CalibrationPoint) (err error) {
	switch point.GetMeans() {
	case pb.ReferenceMeans_REFERENCE_MEANS_ICE:
		return nil
	case pb.ReferenceMeans_REFERENCE_MEANS_BOILING_WATER:
		g.paragraph("The pressure of the air here, in kPa (10 hPa or mbar are 1 kPa), from a barometer in the house. Not from the weather report: that is as if the house stood at the sea.")
		point.PressureKpa, err = g.number(ctx, "kPa", "")
		return err
	case pb.ReferenceMeans_REFERENCE_MEANS_WEIGHT:
		if point.Reference, err = g.number(ctx, "its mass, g (0: the empty pan)", ""); err != nil {
			return err
		}
		if point.GetReference() == 0 {
			point.Means, point.Name = pb.ReferenceMeans_REFERENCE_MEANS_OTHER, "empty pan"
			return nil
		}
		point.WeightClass, err = g.ask(ctx, "its class (E2 F1 F2 M1 M2 M3), or - to type its uncertainty", g.class())
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
	u, err := g.number(ctx, "± "+g.unit+" in its certificate (95 %); 0 if nobody knows", "0")
	point.ReferenceUncertainty = u / 2
	return err
}

// class returns that of the last weight: they mostly come out of one box.
func (g *guide) class() string {
	for _, p := range slices.Backward(g.plan.GetPoints()) {
		if p.GetWeightClass() != "" {
			return p.GetWeightClass()
		}
	}
	return "-"
}

// latestOfPoint is how many readings a point is the mean of, at most.
const latestOfPoint = 20

// reading takes what the instrument says of a point.
func (g *guide) reading(ctx context.Context, point *pb.CalibrationPoint) error {
	g.say("Enter takes the reading once it rests; or type what the display shows.\n")
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
			g.say("It still moves. Wait, then press Enter; pressed now, it is taken all the same.\n")
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
	return fmt.Sprintf("%s %s   %-8s mean of %d: %s, scatter %s", show.Number(r.GetValues()[n-1], ""), g.unit, state, n, show.Number(r.GetMean(), ""), show.Spread(r.GetSd()))
}

// another asks whether a further point is to be taken.
func (g *guide) another(ctx context.Context) (bool, error) {
	n := counted(g.plan.GetPoints())
	text := fmt.Sprintf("%d points so far.", n)
	switch n {
	case 1:
		text = "1 point so far. By itself it shows nothing of whether it is right."
	case 2:
		text += " A third would show whether the two agree."
	}
	g.say("\n%s", text)
	key, err := g.menu(ctx, "Enter: another point", "r: see the result")
	return key == "", err
}
