package board

import (
	"errors"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// instrumentPageView is one instrument: what it measures and how often, what is due, what is
// missing and why, and what happened to it.
type instrumentPageView struct {
	instrumentView
	Measures []channelRow
	Gaps     []gapRow
	Happened []happening
}

type channelRow struct{ Word, Unit, Says, Cadence, Range string }

type gapRow struct{ From, To, Missing, Why, Detail string }

// happening is an entry of the record on an instrument.
type happening struct{ At, What, Detail, Who string }

// told are the kinds of entries that say what happened to an instrument.
var told = []string{
	"run_opened", "run_closed", "gap", "instrument_changed", "instrument_asked", "instrument_identified", "instrument_adopted",
	"calibration_made", "instrument_checked", "readings_doubted", "clock_stepped",
}

// mostTold is how many of them a page shows, the newest first.
const mostTold = 80

func (b *Board) instrumentPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	name := r.PathValue("name")
	list, err := b.gear.ListInstruments(r.Context(), &pb.ListInstrumentsRequest{})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	info, err := b.record.GetRecordInfo(r.Context(), &pb.GetRecordInfoRequest{})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	i := slices.IndexFunc(list.GetInstruments(), func(st *pb.InstrumentStatus) bool { return st.GetInstrument() == name })
	if i < 0 {
		b.show(w, r, http.StatusNotFound, "problem", "", nil, v.T("The lab has no instrument %s.", name))
		return
	}
	view := instrumentPageView{instrumentView: v.instrument(list.GetInstruments()[i], info.GetLabTime().AsTime())}
	view.Token = tokenOf(r.Context())
	stream, err := b.record.Subscribe(r.Context(), &pb.SubscribeRequest{
		After: info.GetLastCursor() - min(lookBack, info.GetLastCursor()), StopAtEnd: true, Filter: &pb.EntryFilter{Kinds: told, Instruments: []string{name}},
	})
	for err == nil {
		var m *pb.SubscribeResponse
		if m, err = stream.Recv(); err == nil {
			for _, e := range m.GetEntries() {
				view.tell(e)
			}
		}
	}
	if !errors.Is(err, io.EOF) {
		b.refused(w, r, err)
		return
	}
	slices.Reverse(view.Gaps)
	slices.Reverse(view.Happened)
	view.Happened = view.Happened[:min(len(view.Happened), mostTold)]
	b.show(w, r, http.StatusOK, "instrument", name, view, "")
}

// tell takes an entry into the page.
func (x *instrumentPageView) tell(e *pb.Entry) {
	v := x.V
	row := happening{At: v.stamp(e.GetRecordedAt())}
	switch m := e.GetBody().(type) {
	case *pb.Entry_RunOpened:
		row.What, row.Detail = v.T("run begins"), m.RunOpened.GetDeviceIdentity()
		x.Measures, x.Channels = v.channels(m.RunOpened), nil
		for _, c := range m.RunOpened.GetChannels() {
			x.Channels = append(x.Channels, choice{c.GetName(), v.T(spaced(c.GetName()))})
		}
	case *pb.Entry_RunClosed:
		row.What, row.Detail = v.T("run ends"), m.RunClosed.GetReason()
	case *pb.Entry_Gap:
		g := v.gap(m.Gap)
		if n := len(x.Gaps); n > 0 && x.Gaps[n-1].From == g.From {
			x.Gaps = x.Gaps[:n-1] // it was said to begin, and is over now
		}
		x.Gaps = append(x.Gaps, g)
		row.What, row.Detail = v.T("gap"), strings.Trim(g.Why+": "+g.Detail, ": ")
	case *pb.Entry_InstrumentChanged:
		row.What, row.Detail = v.T(show.Words(m.InstrumentChanged.GetState())), m.InstrumentChanged.GetDetail()
	case *pb.Entry_InstrumentAsked:
		a := m.InstrumentAsked
		row.What, row.Detail, row.Who = v.T("asked"), strings.TrimSpace(v.T(a.GetAction())+" "+v.T(spaced(a.GetChannel()))+" "+a.GetText()), who(e)
	case *pb.Entry_InstrumentIdentified:
		row.What, row.Detail = v.T("device answers"), m.InstrumentIdentified.GetIdentity()
	case *pb.Entry_InstrumentAdopted:
		row.What, row.Detail, row.Who = v.T("another device taken"), m.InstrumentAdopted.GetIdentity()+", "+m.InstrumentAdopted.GetReason(), who(e)
	case *pb.Entry_CalibrationMade:
		c := m.CalibrationMade.GetCalibration()
		row.What, row.Detail, row.Who = v.T("calibrated"), v.T(spaced(c.GetChannel()))+", "+c.GetId(), who(e)
	case *pb.Entry_InstrumentChecked:
		c := m.InstrumentChecked
		read := v.quantity(quantity{value: c.GetValue(), uncertainty: &c.ValueUncertainty, unit: c.GetUnit()})
		row.What, row.Who = v.T("checked"), who(e)
		row.Detail = c.GetCheck() + ": " + v.T("%s read, %s true: %s", read, v.quantity(quantity{value: c.GetReference(), unit: c.GetUnit()}), v.T(show.Words(c.GetVerdict())))
	case *pb.Entry_ReadingsDoubted:
		row.What, row.Detail = v.T("readings in doubt"), m.ReadingsDoubted.GetText()
	case *pb.Entry_ClockStepped:
		row.What, row.Detail = v.T("clock step"), m.ClockStepped.GetStep().AsDuration().String()
	default:
		return
	}
	x.Happened = append(x.Happened, row)
}

func (v visitor) channels(m *pb.RunOpened) (rows []channelRow) {
	for _, c := range m.GetChannels() {
		row := channelRow{Word: v.T(spaced(c.GetName())), Unit: show.Unit(c.GetUnit(), v.basis(c.GetBasis())), Says: v.T(spaced(c.GetProperty()))}
		if c.GetProperty() == "" {
			row.Says = ""
		}
		if c.GetCadence() != nil {
			row.Cadence = v.T("every %s at least", c.GetCadence().AsDuration().Round(time.Millisecond).String())
		} else {
			row.Cadence = v.T("when it is used")
		}
		row.Range = v.limits(&pb.Window{Unit: c.GetUnit(), Low: c.Low, High: c.High})
		rows = append(rows, row)
	}
	return rows
}

func (v visitor) gap(g *pb.Gap) gapRow {
	row := gapRow{From: v.stamp(g.GetFrom()), To: v.stamp(g.GetTo()), Why: v.T(show.Words(g.GetReason())), Detail: g.GetDetail()}
	if g.GetTo() == nil {
		row.To = v.T("goes on")
	}
	switch {
	case g.GetFirstNumber() == 0:
		row.Missing = v.T("nothing was numbered")
	case g.GetCount() == 0:
		row.Missing = v.T("from reading %d on", g.GetFirstNumber())
	default:
		row.Missing = v.T("%d readings from %d on", g.GetCount(), g.GetFirstNumber())
	}
	return row
}
