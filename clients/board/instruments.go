package board

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// instrumentsView is how the instruments are.
type instrumentsView struct {
	V           visitor
	Instruments []instrumentView
}

type instrumentView struct {
	V                             visitor
	Token                         string
	Name, Station, Sheet, Device  string
	State, Detail, Since, Request string
	Well                          bool
	Read                          []readView
	LastReading                   string
	Gaps, Restarts, Unreadable    uint64
	// Entered says that its values are typed by a person, of Channels.
	Entered bool
	// Tares says that it weighs, Asked that it can be told to measure: all but what
	// measures by itself in a drum.
	Tares, Asked bool
	Channels     []choice
	// Expected is the device that should answer, where another one does.
	Expected string
	Dues     []dueView
}

type readView struct{ Word, Value, At, Quality string }

func (b *Board) instrumentsPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
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
	view := instrumentsView{V: v}
	channels := map[string][]*pb.Channel{}
	b.known(r.Context(), func(bench *bench) { maps.Copy(channels, bench.channels) })
	for _, st := range list.GetInstruments() {
		x := v.instrument(st, info.GetLabTime().AsTime())
		for _, c := range channels[x.Name] {
			x.Channels = append(x.Channels, choice{c.GetName(), v.T(spaced(c.GetName()))})
		}
		x.Token = tokenOf(r.Context())
		view.Instruments = append(view.Instruments, x)
	}
	slices.SortStableFunc(view.Instruments, func(x, y instrumentView) int {
		return unwellFirst(x.Well, y.Well)
	})
	b.show(w, r, http.StatusOK, "instruments", v.T("Instruments"), view, "")
}

// unwellFirst orders what is not well before what is.
func unwellFirst(x, y bool) int {
	switch {
	case x == y:
		return 0
	case y:
		return -1
	}
	return 1
}

func (v visitor) instrument(st *pb.InstrumentStatus, now time.Time) instrumentView {
	x := instrumentView{
		V: v, Name: st.GetInstrument(), Station: st.GetStation(), Sheet: st.GetSheet(), Device: st.GetDeviceIdentity(),
		State: v.T(show.Words(st.GetState())), Detail: st.GetDetail(), Since: v.stamp(st.GetSince()), Request: newRequest(),
		Well: st.GetState() == pb.InstrumentState_INSTRUMENT_STATE_MEASURING,
		Gaps: st.GetGaps(), Restarts: st.GetRestarts(), Unreadable: st.GetUnreadable(), Entered: st.GetDriver() == "keyed",
	}
	if st.GetLastReadingAt() != nil {
		x.LastReading = show.Age(now.Sub(st.GetLastReadingAt().AsTime()))
	}
	x.Dues = v.dues(st)
	if e := st.GetExpectedIdentity(); e != "" && e != x.Device {
		x.Expected = e
	}
	for _, l := range st.GetLatest() {
		row := readView{Word: v.T(spaced(l.GetChannel())), At: v.clock(l.GetAt())}
		if l.GetUnit() == "" && l.GetText() != "" {
			row.Value = l.GetText()
		} else {
			row.Value = v.quantity(quantity{value: l.GetValue(), unit: l.GetUnit(), basis: l.GetBasis()})
		}
		if l.GetQuality() > pb.Quality_QUALITY_GOOD {
			row.Quality = v.T(show.Words(l.GetQuality()))
			for _, reason := range l.GetReasons() {
				row.Quality += ", " + v.T(show.Words(reason))
			}
		}
		x.Tares = x.Tares || l.GetUnit() == "g"
		x.Asked = x.Asked || l.GetUnit() != "Cel"
		x.Read = append(x.Read, row)
	}
	return x
}

// act tares an instrument, lets it measure, or enters what a person read.
func (b *Board) act(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	name := r.PathValue("name")
	kind, ok := show.Choice(pb.Action(0).Descriptor(), r.PostFormValue("action"))
	if !ok {
		http.Error(w, "action: tare, zero, measure or enter", http.StatusUnprocessableEntity)
		return
	}
	done, err := b.gear.ActOnInstrument(r.Context(), &pb.ActOnInstrumentRequest{
		RequestId: requestID(r), Person: v.actor(), Instrument: name, Action: pb.Action(kind),
		Channel: r.PostFormValue("channel"), Text: r.PostFormValue("text"),
	})
	if err != nil {
		b.failed(w, r, err)
		return
	}
	text := v.T("%s: done.", name)
	if done.GetAnswer() != "" {
		text = v.T("%s answered: %s", name, done.GetAnswer())
	}
	b.done303(w, r, text, "instruments/"+url.PathEscape(name))
}
