package board

import (
	"context"
	"html/template"
	"net/http"
	"strings"
	"time"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// headView says whether what is seen is now.
type headView struct {
	V    visitor
	Lab  string
	Time string
	// Rate is lab seconds per second where it is not 1: then it is a simulation.
	Rate string
	// Lost says since when the hub has not been heard; empty: it is.
	Lost, Why string
}

// head is the head of the bench; the caller holds the watch's lock.
func (b *bench) head(v visitor, w *watch) headView {
	h := headView{V: v, Lab: b.lab, Time: b.now().In(time.Local).Format("15:04")}
	if b.rate != 1 {
		h.Rate = printed(b.rate, 0)
	}
	if !w.failing.IsZero() {
		h.Lost = w.failing.Format(time.TimeOnly)
		if w.why != nil {
			h.Why = problem(w.why)
		}
	}
	return h
}

// handsView is the list of what needs a person.
type handsView struct {
	V     visitor
	Hands []handView
	// Empty says what a bench without work is waiting for, as soon as it is Known.
	Empty, Known bool
}

type handView struct {
	Key, Class, Sign string
	What, Why        string
	Station, Sample  string
	// Due is when, in ms on the lab's clock; In is how long that is from now.
	Due    int64
	In     string
	Spread string
	Mark   *markButton
	Link   string
	Flag   uint64
}

// soon is how far ahead something is due soon.
const soon = time.Minute

// mostHands is how many are shown: more than a person can do in the next minutes.
const mostHands = 14

func (b *bench) handsView(v visitor) handsView {
	now := b.now()
	view := handsView{V: v, Empty: b.samples == 0, Known: b.known}
	for i, h := range b.hands() {
		if i == mostHands {
			break
		}
		x := handView{
			Key: h.Key, What: v.say(h.What), Why: v.say(h.Why), Station: h.Station, Sample: h.Sample,
			Due: h.At.UnixMilli(), In: due(h.At.Sub(now)), Link: h.Link, Flag: h.Flag, Class: "later", Sign: "○",
		}
		if h.Spread > 0 {
			x.Spread = "± " + show.Elapsed(h.Spread.Seconds())
		}
		switch left := h.At.Sub(now); {
		case left <= 0:
			x.Class, x.Sign = "due", "▲"
		case left <= soon:
			x.Class, x.Sign = "soon", "◆"
		}
		if h.Mark != 0 {
			x.Mark = &markButton{show.Hyphened(h.Mark), v.T(show.Words(h.Mark))}
		}
		view.Hands = append(view.Hands, x)
	}
	return view
}

// live returns the list without what only the passing of time changes: the page counts by
// itself.
func (h handsView) live() handsView {
	for i := range h.Hands {
		h.Hands[i].In = ""
	}
	return h
}

// due shows how long it is until something is due, and with a plus for how long it has
// been.
func due(left time.Duration) string {
	if left < 0 {
		return "+" + long(-left)
	}
	return long(left)
}

func long(d time.Duration) string {
	if d >= time.Hour {
		return strings.TrimSuffix(d.Truncate(time.Minute).String(), "0s")
	}
	return show.Elapsed(d.Seconds())
}

// stationView is a place on the bench that is no drum.
type stationView struct {
	Name, Sample, Since string
	Readings            []string
	// Ill names the instruments that do not measure, and how they are.
	Ill []string
}

type stationsView struct {
	V        visitor
	Stations []stationView
}

func (b *bench) stationsView(v visitor) stationsView {
	view := stationsView{V: v}
	for _, s := range b.stations {
		if s.GetStation().GetKind() == pb.StationKind_STATION_KIND_DRUM {
			continue
		}
		x := stationView{Name: s.GetStation().GetName(), Sample: s.GetSample()}
		if s.GetSample() != "" {
			x.Since = v.clock(s.GetSince())
		}
		for _, st := range b.measuring(x.Name) {
			if state := st.GetState(); state != pb.InstrumentState_INSTRUMENT_STATE_MEASURING {
				x.Ill = append(x.Ill, st.GetInstrument()+": "+v.T(show.Words(state)))
				continue
			}
			for _, l := range st.GetLatest() {
				if l.GetUnit() != "" {
					x.Readings = append(x.Readings, v.quantity(quantity{value: l.GetValue(), unit: l.GetUnit(), basis: l.GetBasis()}))
				}
			}
		}
		view.Stations = append(view.Stations, x)
	}
	return view
}

// benchView is the whole page.
type benchView struct {
	V        visitor
	Head     headView
	Hands    handsView
	Stations stationsView
	Lanes    []laneView
	Plots    map[string]template.HTML
	Drums    string
	Lab      int64
	Rate     float64
	// Empty says that the lab has no sample yet, NoInstruments that it has none of those.
	Empty, NoInstruments bool
}

// firstLook is how long a page waits for the bench to be known.
const firstLook = 3 * time.Second

// known lets f look at the bench once it is known, or as far as it is if that takes long.
func (b *Board) known(ctx context.Context, f func(*bench)) {
	leave := b.watch.join()
	defer leave()
	timer := time.NewTimer(firstLook)
	defer timer.Stop()
	b.watch.mu.Lock()
	ready := b.watch.ready
	b.watch.mu.Unlock()
	select {
	case <-ready:
	case <-timer.C:
	case <-ctx.Done():
	}
	b.watch.look(f)
}

func (b *Board) serveBench(w http.ResponseWriter, r *http.Request) {
	_, leaveHub, err := b.options.admit(r)
	if err != nil {
		b.refused(w, r, err)
		return
	}
	defer leaveHub()
	leave := b.watch.join()
	defer leave()
	b.known(r.Context(), func(*bench) {})
	v := visitorOf(r)
	s := b.screen(v.look())
	if err := s.update(); err != nil {
		b.refused(w, r, err)
		return
	}
	view := benchView{V: v, Plots: map[string]template.HTML{}}
	s.mu.Lock()
	for name, f := range s.frames {
		view.Plots[name] = f.html
	}
	s.mu.Unlock()
	b.watch.look(func(bench *bench) {
		drums := bench.drumNames()
		view.Head, view.Hands, view.Stations = bench.head(v, b.watch), bench.handsView(v), bench.stationsView(v)
		for i, name := range drums {
			view.Lanes = append(view.Lanes, bench.lane(v, i, name))
		}
		view.Drums, view.Lab, view.Rate = strings.Join(drums, ","), bench.now().UnixMilli(), bench.rate
		view.Empty, view.NoInstruments = bench.known && bench.samples == 0, bench.known && len(bench.instruments) == 0
	})
	b.show(w, r, http.StatusOK, "bench", v.T("Bench"), view, "")
}
