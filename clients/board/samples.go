package board

import (
	"net/http"

	"github.com/evenbench/evenbench/clients/show"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// samplesView is the list of samples.
type samplesView struct {
	V      visitor
	Search string
	State  string
	States []choice
	Rows   []sampleRow
	// More leads to the next page; empty on the last one.
	More string
	// None says that the lab has no sample at all.
	None bool
}

type sampleRow struct {
	Code, Kind, Lot, Origin, Process string
	Moisture, Received, Loss, Time   string
	State, StateWord                 string
	Verdict                          *verdictWord
	Flags                            int
}

// States of a sample, in the order of its way through the lab.
const (
	stateReceived = "received"
	stateQueued   = "queued"
	stateRoasting = "roasting"
	stateRoasted  = "roasted"
	stateFlagged  = "flagged"
)

func stateOf(r *pb.SampleRecord) string {
	state := stateReceived
	if n := len(r.GetRoasts()); n > 0 {
		state = stateRoasted
		if r.GetRoasts()[n-1].GetState() == pb.RoastState_ROAST_STATE_ROASTING {
			return stateRoasting
		}
	}
	if r.GetQueuedFor() != "" {
		return stateQueued
	}
	return state
}

// pageSize is how many samples are on a page.
const pageSize = 100

func (b *Board) samplesPage(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	q := r.URL.Query()
	view := samplesView{V: v, Search: q.Get("search"), State: q.Get("state")}
	for _, s := range []string{stateReceived, stateQueued, stateRoasting, stateRoasted, stateFlagged} {
		view.States = append(view.States, choice{s, v.T(s)})
	}
	list, err := b.record.ListSamples(r.Context(), &pb.ListSamplesRequest{PageSize: pageSize, PageToken: q.Get("after"), Search: view.Search})
	if err != nil {
		b.refused(w, r, err)
		return
	}
	for _, rec := range list.GetRecords() {
		row := v.row(rec)
		if view.State == "" || view.State == row.State || view.State == stateFlagged && row.Flags > 0 {
			view.Rows = append(view.Rows, row)
		}
	}
	view.None = len(list.GetRecords()) == 0 && view.Search == "" && q.Get("after") == ""
	if list.GetNextPageToken() != "" {
		q.Set("after", list.GetNextPageToken())
		view.More = "samples?" + q.Encode()
	}
	b.show(w, r, http.StatusOK, "samples", v.T("Samples"), view, "")
}

func (v visitor) row(rec *pb.SampleRecord) sampleRow {
	id := rec.GetIdentity()
	row := sampleRow{
		Code: rec.GetSample(), Kind: v.T(show.Hyphened(id.GetKind())), Lot: id.GetLot(), Origin: id.GetOrigin(), Process: id.GetProcess(),
		State: stateOf(rec), Flags: len(rec.GetFlags()),
		Moisture: v.counting(rec, "moisture"), Received: v.counting(rec, "received_mass"),
	}
	row.StateWord = v.T(row.State)
	if w, held := v.worst(rec); held {
		row.Verdict = &w
	}
	if n := len(rec.GetRoasts()); n > 0 {
		for _, f := range rec.GetRoasts()[n-1].GetFindings() {
			switch f.GetName() {
			case "loss_in_mass":
				row.Loss = v.number(f.GetValue(), f.StandardUncertainty, f.GetUnit())
			case "total_time":
				row.Time = show.Elapsed(f.GetValue())
			}
		}
	}
	return row
}

// counting shows the value of a property that counts, without its unit; one that is not
// plainly good has a question mark.
func (v visitor) counting(rec *pb.SampleRecord, property string) string {
	m := measured(rec, property, "")
	if m == nil {
		return ""
	}
	text := v.number(m.GetValue(), m.StandardUncertainty, m.GetUnit())
	if m.GetQuality() > pb.Quality_QUALITY_GOOD {
		text += " ?"
	}
	return text
}

func (v visitor) number(value float64, _ *float64, unit string) string {
	value, _, shown := v.in(value, nil, unit)
	if shown != unit {
		return v.fixed(value, map[string]int{"oz": 3}[shown]+map[string]int{"°F": 1}[shown])
	}
	return show.Number(value, shown)
}
