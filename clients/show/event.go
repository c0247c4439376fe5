package show

import (
	"fmt"
	"io"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Narrator tells the record as it grows, one line an event: time, place, what,
// and the particulars. It remembers which sample is in which roast, and on which
// day it is.
type Narrator struct {
	Style
	// Rows tells every reading; otherwise a batch is one line.
	Rows bool

	w      io.Writer
	day    string
	roasts map[string]*pb.RoastOpened
}

// NewNarrator returns a narrator that writes to w.
func NewNarrator(w io.Writer, s Style) *Narrator {
	return &Narrator{Style: s, w: w, roasts: map[string]*pb.RoastOpened{}}
}

// Roasting tells the narrator of a roast that began before the story does.
func (n *Narrator) Roasting(roast, station, sample string) {
	n.roasts[roast] = &pb.RoastOpened{Roast: roast, Station: station, Sample: sample}
}

// event is one line of the story.
type event struct {
	place, what, text string
	// How urgently it asks for a look.
	paint func(string) string
}

// Know keeps in mind what an entry says, without a word.
func (n *Narrator) Know(e *pb.Entry) { n.event(e) }

// Tell writes what an entry says.
func (n *Narrator) Tell(e *pb.Entry) error {
	var b strings.Builder
	if day := n.Day(e.GetRecordedAt()); day != n.day {
		n.day = day
		fmt.Fprintf(&b, "-- %s --\n", day)
	}
	if batch := e.GetReadings(); batch != nil && n.Rows {
		n.rows(&b, batch)
	} else {
		n.line(&b, n.Clock(e.GetRecordedAt()), n.event(e))
	}
	_, err := io.WriteString(n.w, b.String())
	return err
}

func (n *Narrator) line(b *strings.Builder, clock string, ev event) {
	line := fmt.Sprintf("%s  %s  %s  %s", clock, pad(plain(ev.place), 16, false), pad(ev.what, 14, false), plain(ev.text))
	line = strings.TrimRight(line, " ")
	if ev.paint != nil {
		line = ev.paint(line)
	}
	b.WriteString(line + "\n")
}

// rows tells every reading of a batch, in the order of their numbers.
func (n *Narrator) rows(b *strings.Builder, batch *pb.ReadingBatch) {
	for r := range batch.InOrder() {
		text := fmt.Sprintf("%s  %s", spaced(r.Series.GetChannel()), reading(r))
		if sample := boundTo(batch, r.Number-batch.GetFirstNumber()); sample != "" {
			text += "  of " + sample
		}
		ev := event{place: batch.GetInstrument(), what: fmt.Sprintf("no. %d", r.Number), text: text}
		if q, reasons := r.Quality(); q != pb.Quality_QUALITY_GOOD {
			ev.text += "  " + quality(q, reasons)
			ev.paint = n.Warn
		}
		n.line(b, r.At.In(n.zone()).Format("15:04:05"), ev)
	}
}

// event puts an entry into words.
func (n *Narrator) event(e *pb.Entry) event {
	if ev, ok := n.ofInstruments(e); ok {
		return ev
	}
	if ev, ok := n.ofCalibrations(e); ok {
		return ev
	}
	if ev, ok := n.ofSamples(e); ok {
		return ev
	}
	if ev, ok := n.ofRoasts(e); ok {
		return ev
	}
	if ev, ok := n.ofComparisons(e); ok {
		return ev
	}
	if ev, ok := n.ofSignatures(e); ok {
		return ev
	}
	if ev, ok := n.ofPanels(e); ok {
		return ev
	}
	return event{place: "hub", what: "entry", text: fmt.Sprintf("%d of a kind this program does not know: use a newer one", e.GetCursor())}
}

func (n *Narrator) ofInstruments(e *pb.Entry) (event, bool) {
	switch b := e.GetBody().(type) {
	case *pb.Entry_RecordOpened:
		m := b.RecordOpened
		text := "record " + m.GetRecordId()
		if m.GetClockRate() != 1 && m.GetClockRate() != 0 {
			text += fmt.Sprintf(", a simulation at %g times real speed", m.GetClockRate())
		}
		return event{place: "hub", what: "new record", text: text}, true
	case *pb.Entry_LabLoaded:
		return event{place: "hub", what: "lab file", text: fmt.Sprintf("%s, %s", b.LabLoaded.GetLabName(), count(uint64(len(b.LabLoaded.GetStations())), "station"))}, true
	case *pb.Entry_RunOpened:
		m := b.RunOpened
		text := "at " + m.GetStation() + ", sheet " + m.GetSheet()
		if m.GetDeviceIdentity() != "" {
			text += ", device " + m.GetDeviceIdentity()
		}
		return event{place: m.GetInstrument(), what: "run begins", text: text}, true
	case *pb.Entry_Readings:
		return n.batch(b.Readings), true
	case *pb.Entry_Gap:
		return n.gap(b.Gap), true
	case *pb.Entry_RunClosed:
		m := b.RunClosed
		return event{place: m.GetInstrument(), what: "run ends", text: because(fmt.Sprintf("after reading %d", m.GetLastNumber()), m.GetReason())}, true
	case *pb.Entry_InstrumentChanged:
		m := b.InstrumentChanged
		ev := event{place: m.GetInstrument(), what: Words(m.GetState()), text: m.GetDetail()}
		if s := m.GetState(); s != pb.InstrumentState_INSTRUMENT_STATE_MEASURING && s != pb.InstrumentState_INSTRUMENT_STATE_STARTING {
			ev.paint = n.Warn
		}
		return ev, true
	case *pb.Entry_InstrumentIdentified:
		m := b.InstrumentIdentified
		ev := event{place: m.GetInstrument(), what: "device", text: m.GetIdentity()}
		if m.GetExpected() != "" && m.GetExpected() != m.GetIdentity() {
			ev.text += ", and not " + m.GetExpected() + ": quarantined"
			ev.paint = n.Warn
		}
		return ev, true
	case *pb.Entry_InstrumentAdopted:
		m := b.InstrumentAdopted
		text := because(m.GetIdentity()+" in place of "+m.GetWas(), m.GetReason())
		return event{place: m.GetInstrument(), what: "adopted", text: text + byWhom(who(e))}, true
	case *pb.Entry_InstrumentAsked:
		m := b.InstrumentAsked
		text := strings.TrimSpace(m.GetAction() + " " + spaced(m.GetChannel()))
		if m.GetText() != "" {
			text += fmt.Sprintf(" %q", m.GetText())
		}
		return event{place: m.GetInstrument(), what: "asked", text: text + byWhom(who(e))}, true
	case *pb.Entry_ClockStepped:
		m := b.ClockStepped
		place := m.GetInstrument()
		if place == "" {
			place = "hub"
		}
		return event{place: place, what: "clock step", text: fmt.Sprintf("the wall clock jumped by %+g s", m.GetStep().AsDuration().Seconds()), paint: n.Warn}, true
	}
	return event{}, false
}

func (n *Narrator) gap(g *pb.Gap) event {
	text := Words(g.GetReason())
	switch first, many := g.GetFirstNumber(), g.GetCount(); {
	case first > 0 && many > 0:
		text += ", without " + numbers(first, first+many-1)
	case first > 0:
		text += fmt.Sprintf(", without readings from %d on", first)
	}
	text += ", since " + n.Clock(g.GetFrom())
	if g.GetTo() != nil {
		text += " until " + n.Clock(g.GetTo())
	}
	return event{place: g.GetInstrument(), what: "gap", text: because(text, g.GetDetail()), paint: n.Bad}
}

// because adds a reason, where there is one.
func because(text, reason string) string {
	if reason == "" {
		return text
	}
	return text + ": " + reason
}
