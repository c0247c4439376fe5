package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// What follows from an entry that is told is not told again.
func TestStoryTellsEachThingOnce(t *testing.T) {
	now := timestamppb.Now()
	charge := &pb.MarkSet{Kind: pb.MarkKind_MARK_KIND_CHARGE}
	moved := &pb.MarkSet{Kind: pb.MarkKind_MARK_KIND_CHARGE, Replaces: 7}
	for _, c := range []struct {
		what  string
		entry *pb.Entry
		news  bool
	}{
		{"a roast begins", &pb.Entry{Body: &pb.Entry_RoastOpened{}}, true},
		{"its charge", &pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: charge}}, false},
		{"a charge that is moved", &pb.Entry{Body: &pb.Entry_MarkSet{MarkSet: moved}}, true},
		{"placed by the charge", &pb.Entry{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{By: pb.PlacementMeans_PLACEMENT_MEANS_CHARGE}}}, false},
		{"placed by a scan", &pb.Entry{Body: &pb.Entry_SamplePlaced{SamplePlaced: &pb.SamplePlaced{By: pb.PlacementMeans_PLACEMENT_MEANS_SCAN}}}, true},
		{"assigned by the hub", &pb.Entry{Actor: "hub", Body: &pb.Entry_ReadingsAssigned{}}, false},
		{"assigned by a person", &pb.Entry{Actor: "Bastu", Body: &pb.Entry_ReadingsAssigned{}}, true},
		{"a gap that is open", &pb.Entry{Body: &pb.Entry_Gap{Gap: &pb.Gap{}}}, false},
		{"a gap that has ended", &pb.Entry{Body: &pb.Entry_Gap{Gap: &pb.Gap{To: now}}}, true},
		{"dropped", &pb.Entry{Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{}}}, false},
		{"given up", &pb.Entry{Body: &pb.Entry_RoastClosed{RoastClosed: &pb.RoastClosed{Aborted: "no turning point"}}}, true},
		{"a flag", &pb.Entry{Body: &pb.Entry_FlagRaised{}}, true},
	} {
		if got := isNews(c.entry); got != c.news {
			t.Errorf("%s: told %v, want %v", c.what, got, c.news)
		}
	}
}

// No line is wider than the screen, unless it is one word, and no word is lost or cut.
func TestLinesFitTheScreen(t *testing.T) {
	line := "07:53:12  drum-2            LOOK            implausible loss: 138.27 g of roasted coffee – no less – cannot come of 117.88 g of green: weigh again"
	path := strings.Repeat("x", 150)
	var out bytes.Buffer
	p := pages{w: &out}
	text := line + "\n\nshort\n" + path + "\n"
	if n, err := p.Write([]byte(text)); n != len(text) || err != nil {
		t.Fatal(n, err)
	}
	for folded := range strings.Lines(out.String()) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(folded, "\n")); n > width && !strings.HasPrefix(folded, "x") {
			t.Errorf("%d wide: %s", n, folded)
		}
	}
	if got, want := strings.Fields(out.String()), strings.Fields(text); strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestLinesGoOnUnderTheirColumn(t *testing.T) {
	for line, want := range map[string]string{
		"07:19:26  moisture-bench    LOOK            unknown code: " + strings.Repeat("wort ", 12) + "end": "07:19:26  moisture-bench    LOOK            unknown code: " + strings.TrimRight(strings.Repeat("wort ", 8), " ") + "\n" +
			strings.Repeat(" ", column) + strings.Repeat("wort ", 4) + "end\n",
		"EB4118  -" + strings.Repeat(" ", 60) + "outside: moisture; undecided: density": "EB4118  -" + strings.Repeat(" ", 60) + "outside: moisture; undecided:\n" +
			strings.Repeat(" ", 69) + "density\n",
		"short  line": "short  line\n",
	} {
		var b strings.Builder
		fold(&b, line)
		if b.String() != want {
			t.Errorf("printed\n%s, want\n%s", b.String(), want)
		}
	}
}
