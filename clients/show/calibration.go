package show

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Calibration writes what would come of a calibration: its points and how far the curve
// misses each, how sure it is in plain words, and what is unusual about it.
func (s Style) Calibration(w io.Writer, r *pb.TryCalibrationResponse) error {
	c := r.GetCalibration()
	var b strings.Builder
	if len(c.GetPoints()) > 0 {
		s.points(&b, c)
		residualPlot(&b, c)
		fmt.Fprintf(&b, "\n%s\n", formula(c))
		sureness(&b, r)
	}
	if p := c.GetResponse(); p != nil {
		fmt.Fprintf(&b, "\nThe probe follows with a time constant of %s s: after a change it has gone\n63 %% of the way in that time, and 95 %% in %.0f s.\n",
			plusMinus(p.GetTimeConstantS(), 2*p.GetStandardUncertaintyS()), 3*p.GetTimeConstantS())
	}
	for i, concern := range r.GetConcerns() {
		if i == 0 {
			b.WriteString("\n" + s.Warn("LOOK AGAIN:") + "\n")
		}
		b.WriteString(Folded("  - ", concern.GetText()))
	}
	switch m, n := r.GetMeasurements(), r.GetRoasts(); {
	case m > 0 || n > 0:
		fmt.Fprintf(&b, "\nIt counts from %s on: %s and %s are made anew.\nWhat they were stays in the record.\n",
			s.Stamp(c.GetFrom()), count(uint64(m), "measurement"), count(uint64(n), "roast"))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// points writes the table of points.
func (s Style) points(b *strings.Builder, c *pb.Calibration) {
	unit := Unit(c.GetUnit(), "")
	t := NewTable("POINT", ">READ\n"+unit, ">SHOULD BE\n"+unit, "± 2 SD", ">OFF\n"+unit, ">AFTER\n"+unit)
	worst := 0.0
	for _, p := range c.GetPoints() {
		worst = math.Max(worst, pointUncertainty(p))
	}
	places := decimalsFor(worst)
	for i, p := range c.GetPoints() {
		sure := ""
		if u := p.GetReferenceUncertainty(); u > 0 {
			sure = "± " + decimals(2*u, 0, decimalsFor(u))
		}
		t.Add(fmt.Sprintf("%d  %s", i+1, pointName(p)), decimals(p.GetRead(), places, places), decimals(p.GetReference(), places, places), sure,
			signed(p.GetRead()-p.GetReference(), places), signed(p.GetResidual(), places))
	}
	section(b, t, nil)
	for i, p := range c.GetPoints() {
		if p.GetLeftOut() != "" {
			b.WriteString(Folded("", fmt.Sprintf("Point %d is left out: %s", i+1, p.GetLeftOut())))
		}
	}
}

func pointUncertainty(p *pb.CalibrationPoint) float64 {
	return math.Hypot(p.GetReadUncertainty(), p.GetReferenceUncertainty())
}

// pointName says what a point was.
func pointName(p *pb.CalibrationPoint) string {
	if p.GetName() != "" {
		return p.GetName()
	}
	if p.GetMeans() == pb.ReferenceMeans_REFERENCE_MEANS_WEIGHT {
		return strings.TrimSpace("weight " + p.GetWeightClass())
	}
	return Words(p.GetMeans())
}

// decimalsFor returns how many decimals are worth stating beside an uncertainty; two where
// none is known.
func decimalsFor(u float64) int {
	if !(u > 0) {
		return 2
	}
	return min(6, max(0, 1-int(math.Floor(math.Log10(u)))))
}

func signed(v float64, places int) string {
	text := decimals(v, places, places)
	if v > 0 && strings.Trim(text, "0.") != "" {
		text = "+" + text
	}
	return text
}

// plusMinus shows a value and an expanded uncertainty.
func plusMinus(v, u float64) string {
	places := decimalsFor(u / 2)
	return decimals(v, places, places) + " ± " + decimals(u, places, places)
}

// plotHalf is how many columns there are to each side of no error.
const plotHalf = 24

// residualPlot draws what the curve misses each point by, one line a point, in the order of
// the readings: o is the point, the dashes its uncertainty (2 standard deviations).
func residualPlot(b *strings.Builder, c *pb.Calibration) {
	points := slices.Clone(c.GetPoints())
	slices.SortStableFunc(points, func(p, q *pb.CalibrationPoint) int {
		switch {
		case p.GetRead() < q.GetRead():
			return -1
		case p.GetRead() > q.GetRead():
			return 1
		}
		return 0
	})
	most := 0.0
	for _, p := range points {
		if p.GetLeftOut() == "" {
			most = math.Max(most, math.Abs(p.GetResidual())+2*pointUncertainty(p))
		}
	}
	if most == 0 {
		return
	}
	places := decimalsFor(most / 5)
	// What was left out may lie far beyond the edge.
	column := func(v float64) int {
		return plotHalf + int(math.Round(math.Max(-1, math.Min(1, v/most))*plotHalf))
	}
	width := 0
	for _, p := range points {
		width = max(width, len(decimals(p.GetRead(), places, places)))
	}
	unit := Unit(c.GetUnit(), "")
	left, right := signed(-most, places), signed(most, places)
	fmt.Fprintf(b, "\nWhat is left after the correction, %s (o the point, - its uncertainty)\n", unit)
	fmt.Fprintf(b, "  %s  %s%s0%s%s\n", strings.Repeat(" ", width), left, strings.Repeat(" ", max(1, plotHalf-len(left))), strings.Repeat(" ", max(1, plotHalf-len(right))), right)
	for _, p := range points {
		line := []byte(strings.Repeat(" ", 2*plotHalf+1))
		u := 2 * pointUncertainty(p)
		for i := max(0, column(p.GetResidual()-u)); i <= min(2*plotHalf, column(p.GetResidual()+u)); i++ {
			line[i] = '-'
		}
		line[plotHalf] = '|'
		line[column(p.GetResidual())] = 'o'
		if p.GetLeftOut() != "" {
			line[column(p.GetResidual())] = 'x'
		}
		fmt.Fprintf(b, "  %s  %s\n", pad(decimals(p.GetRead(), places, places), width, true), strings.TrimRight(string(line), " "))
	}
}

// formula writes what a calibration does to a reading.
func formula(c *pb.Calibration) string {
	k := c.GetCoefficients()
	if len(k) == 0 {
		return ""
	}
	unit := Unit(c.GetUnit(), "")
	if c.GetForm() == pb.CalibrationForm_CALIBRATION_FORM_OFFSET {
		return fmt.Sprintf("To each reading %s %s is added.", signed(k[0], decimalsFor(math.Sqrt(c.GetCovariance()[0]))), unit)
	}
	text := "value ="
	powers := []string{"", " · reading", " · reading²", " · reading³"}
	begun := false
	for i, v := range k {
		if v == 0 {
			continue
		}
		sign := " + "
		if v < 0 {
			sign = " − "
		}
		if !begun {
			sign = strings.TrimSuffix(strings.Replace(sign, " + ", " ", 1), " ")
			if v > 0 {
				sign = " "
			}
		}
		text += fmt.Sprintf("%s%.6g%s", sign, math.Abs(v), powers[min(i, 3)])
		begun = true
	}
	return text + "   (" + unit + ")"
}

// sureness says in plain words how sure the calibration is: at its ends and in the middle.
func sureness(b *strings.Builder, r *pb.TryCalibrationResponse) {
	at := r.GetAt()
	if len(at) == 0 {
		return
	}
	c := r.GetCalibration()
	unit := Unit(c.GetUnit(), "")
	fmt.Fprintf(b, "How sure: of 100 readings, 95 are right to within\n")
	shown := []*pb.CalibrationAt{at[0], at[len(at)/2], at[len(at)-1]}
	if at[0].GetX() == at[len(at)-1].GetX() {
		shown = shown[:1]
	}
	for _, a := range shown {
		u := a.GetExpandedUncertainty()
		places := decimalsFor(u / 2)
		fmt.Fprintf(b, "  ± %s %s  where it reads %s", decimals(u, places, places), unit, decimals(a.GetX(), 0, places))
		if a.GetX() < c.GetLow() || a.GetX() > c.GetHigh() {
			b.WriteString("  (outside its range)")
		}
		b.WriteByte('\n')
	}
	text := fmt.Sprintf("It is good for readings from %.6g to %.6g %s", c.GetLow(), c.GetHigh(), unit)
	if c.GetFreedom() > 0 {
		text += fmt.Sprintf("; the points scatter by %s %s about it", decimals(c.GetResidualSd(), 0, decimalsFor(c.GetResidualSd())), unit)
	}
	b.WriteString(Folded("", text+"."))
}

// Columns that the narrowest terminal has.
const Columns = 80

// Folded breaks a text into lines that fit Columns, with a mark before the first and room
// for it before the others.
func Folded(mark, text string) string {
	var b strings.Builder
	line := mark
	empty := true
	for _, word := range strings.Fields(plain(text)) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > Columns-1 {
			b.WriteString(line + "\n")
			line, empty = strings.Repeat(" ", utf8.RuneCountInString(mark)), true
		}
		if !empty {
			line += " "
		}
		line += word
		empty = false
	}
	return b.String() + line + "\n"
}

// Calibrations lists calibrations that were made, oldest first: each with what it is, how
// long it is valid, and by whom and why it was made.
func (s Style) Calibrations(w io.Writer, list []*pb.RecordedCalibration) error {
	var b strings.Builder
	if len(list) == 0 {
		b.WriteString("No calibration was made.\n")
	}
	for _, r := range list {
		c := r.GetCalibration()
		fmt.Fprintf(&b, "%s\n", plain(c.GetId()))
		b.WriteString(Folded("    ", s.calibrationIs(c)))
		valid := "from " + s.Stamp(c.GetFrom())
		if c.GetUntil() != nil {
			valid += " until " + s.Stamp(c.GetUntil())
		}
		if c.GetReplaces() != "" {
			valid += fmt.Sprintf("; it replaced %q", c.GetReplaces())
		}
		b.WriteString(Folded("    ", valid))
		b.WriteString(Folded("    ", because("recorded "+s.Stamp(r.GetRecordedAt())+byWhom(who(r)), r.GetReason())))
		var confirmed []string
		for _, x := range c.GetConfirmed() {
			confirmed = append(confirmed, spaced(x.GetCode()))
		}
		if len(confirmed) > 0 {
			fmt.Fprintf(&b, "%s\n", s.Warn(strings.TrimSuffix(Folded("    ", "confirmed knowingly: "+strings.Join(confirmed, ", ")), "\n")))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// calibrationIs says of what a calibration is, and what it was made of.
func (s Style) calibrationIs(c *pb.Calibration) string {
	is := c.GetInstrument() + ", " + c.GetChannel() + ": "
	if len(c.GetCoefficients()) > 0 {
		is += fmt.Sprintf("%s of %s, good from %.6g to %.6g %s", Words(c.GetForm()), count(uint64(len(c.GetPoints())), "point"),
			c.GetLow(), c.GetHigh(), Unit(c.GetUnit(), ""))
	}
	if r := c.GetResponse(); r != nil {
		if len(c.GetCoefficients()) > 0 {
			is += "; "
		}
		is += fmt.Sprintf("time constant %s s", plusMinus(r.GetTimeConstantS(), 2*r.GetStandardUncertaintyS()))
	}
	return is
}
