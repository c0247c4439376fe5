package board

import (
	"net/http"
	"slices"
	"strconv"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// looseView is the measurements that are no sample's.
type looseView struct {
	V     visitor
	Loose []looseRow
	// Codes are samples that they may be of: those on the bench, and the last ones seen.
	Codes []string
}

type looseRow struct {
	ID, Request string
	// Roast that the readings are, from Number to Last; empty: they are one measurement.
	Roast                   string
	Last                    uint64
	Value, Station, At, Raw string
	Instrument, Run         string
	Number                  uint64
	Sample, Reason          string
	Problems                map[string]string
	Problem                 string
}

func (b *Board) loosePage(w http.ResponseWriter, r *http.Request) {
	b.showLoose(w, r, http.StatusOK, nil)
}

// showLoose shows the list, with the row that was just refused as it was typed.
func (b *Board) showLoose(w http.ResponseWriter, r *http.Request, status int, refused *looseRow) {
	v := visitorOf(r)
	view := looseView{V: v}
	add := func(row looseRow) {
		if refused != nil && refused.ID == row.ID {
			row.Sample, row.Reason, row.Problems, row.Problem = refused.Sample, refused.Reason, refused.Problems, refused.Problem
		}
		view.Loose = append(view.Loose, row)
	}
	b.known(r.Context(), func(bench *bench) {
		for _, o := range slices.Backward(bench.orphans) {
			row := looseRow{
				ID: o.GetRoast(), Request: newRequest(), Roast: o.GetRoast(), Value: v.T("Roast %s", o.GetRoast()), Station: o.GetStation(), At: v.stamp(o.GetChargedAt()),
				Instrument: o.GetInstrument(), Run: o.GetRun(), Number: o.GetFirstNumber(), Last: o.last,
			}
			if row.Last == 0 {
				row.Last = max(row.Number, bench.instruments[row.Instrument].GetLastNumber())
			}
			add(row)
		}
		for _, l := range slices.Backward(bench.loose) {
			row := looseRow{
				ID: "n" + itoa(l.cursor), Request: newRequest(), Value: v.quantity(valueOf(l.Measurement)), Station: l.GetStation(),
				At: v.stamp(l.GetAt()), Raw: l.GetDeviceText(), Instrument: l.GetInstrument(), Run: l.GetRun(), Number: l.GetNumber(), Last: l.GetNumber(),
			}
			add(row)
		}
		for code := range bench.records {
			view.Codes = append(view.Codes, code)
		}
	})
	slices.Sort(view.Codes)
	b.show(w, r, status, "loose", v.T("Readings without a sample"), view, "")
}

// assign gives a reading to a sample.
func (b *Board) assign(w http.ResponseWriter, r *http.Request) {
	v := visitorOf(r)
	row := looseRow{ID: r.PostFormValue("id"), Sample: code(r.PostFormValue("sample")), Reason: r.PostFormValue("reason"), Problems: map[string]string{}}
	row.Number, _ = strconv.ParseUint(r.PostFormValue("number"), 10, 64)
	row.Last, _ = strconv.ParseUint(r.PostFormValue("last"), 10, 64)
	if row.Sample == "" {
		// The hub would take it for: of no sample.
		row.Problems["sample"] = v.T("is missing")
		b.showLoose(w, r, http.StatusUnprocessableEntity, &row)
		return
	}
	_, err := b.desk.AssignReadings(r.Context(), &pb.AssignReadingsRequest{
		RequestId: requestID(r), Person: v.actor(), Instrument: r.PostFormValue("instrument"), Run: r.PostFormValue("run"),
		FirstNumber: row.Number, LastNumber: max(row.Number, row.Last), Sample: row.Sample, Reason: row.Reason,
	})
	if err != nil {
		if field, text := fieldOf(err); field != "" {
			row.Problems[field] = text
		} else {
			row.Problem = text
		}
		b.showLoose(w, r, httpStatus(err), &row)
		return
	}
	if r.PostFormValue("roast") != "" {
		b.done303(w, r, v.T("Roast %s belongs to %s.", r.PostFormValue("roast"), row.Sample), "loose")
		return
	}
	b.done303(w, r, v.T("The reading belongs to %s.", row.Sample), "loose")
}
