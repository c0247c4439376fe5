package show

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// detailed is of how many roasts, the nearest ones, everything is shown.
const detailed = 3

// Translations writes which roasts are nearest to a reference, and how far they still are.
func (s Style) Translations(w io.Writer, r *pb.TranslateResponse) error {
	var b strings.Builder
	b.WriteString("near enough are roasts that are shown to differ from the reference by less than\n")
	tolerances(&b, r.GetTerms())
	t := NewTable("SAMPLE", "ROAST", ">DISTANCE", ">NEAR ENOUGH IN")
	for _, x := range r.GetTranslations() {
		distance := ""
		if x.Distance != nil {
			distance = fmt.Sprintf("%.2f", x.GetDistance())
		}
		t.Add(x.GetSample(), x.GetRoast(), distance, fmt.Sprintf("%d of %d", x.GetAlike(), len(x.GetValues())))
	}
	b.WriteString("\n")
	if err := t.Write(&b, nil); err != nil {
		return err
	}
	for _, x := range r.GetTranslations()[:min(detailed, len(r.GetTranslations()))] {
		translation(&b, x)
	}
	for _, text := range r.GetLeftOut() {
		fmt.Fprintf(&b, "\nleft out: %s\n", plain(text))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func translation(b *strings.Builder, x *pb.Translation) {
	fmt.Fprintf(b, "\n%s (%s)\n", x.GetSample(), x.GetRoast())
	for _, v := range x.GetValues() {
		if v.Difference == nil {
			fmt.Fprintf(b, "  %-18s %s\n", spaced(v.GetName()), plain(v.GetMissing()))
			continue
		}
		fmt.Fprintf(b, "  %-18s %s, the reference %s: %s, change by %+.3g\n", spaced(v.GetName()), withUnit(v.GetHere(), v.GetUnit()),
			withUnit(v.GetReference(), v.GetUnit()), Words(v.GetVerdict()), v.GetChange())
	}
	for _, p := range x.GetPhases() {
		line := fmt.Sprintf("  %s to %s: %s, the reference %s (%.1f %% and %.1f %% of the whole)", Words(p.GetFrom()), Words(p.GetTo()),
			Elapsed(p.GetHereS()), Elapsed(p.GetReferenceS()), p.GetHereShare(), p.GetReferenceShare())
		if p.Progress != nil {
			line += fmt.Sprintf("; progress differs by %.1f %%", p.GetProgress())
		}
		b.WriteString(line + "\n")
	}
}
