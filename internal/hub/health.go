package hub

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Parts of the hub, as the health service names them. The whole, "", and the services
// are well as long as the record is: what was measured is kept.
const (
	partRecord     = "record"
	partDisk       = "disk"
	partPast       = "past" // what was recorded long ago
	partInstrument = "instrument/"
)

// concerns says what is not well, the record first.
func (u *upkeep) concerns(instruments []*pb.InstrumentStatus) []*pb.Concern {
	var list []*pb.Concern
	add := func(part, format string, args ...any) {
		list = append(list, &pb.Concern{Part: part, Text: fmt.Sprintf(format, args...)})
	}
	if err := u.scribe.ledger.Err(); err != nil {
		add(partRecord, "the record cannot be written: %v; drivers hold what they measure: mend the cause and restart the hub", err)
	} else if err := u.scribe.ledger.Held(); err != nil {
		add(partRecord, "%v; nothing that was answered is lost, writers are refused and drivers hold what they measure: %s, and the hub goes on by itself", err, advice(err))
	} else if d := u.stuck(); d > 0 {
		add(partRecord, "nothing has got onto the disk for %v; drivers hold what they measure: look at the disk", d.Round(time.Second))
	}
	if text := u.damage.Load(); text != nil {
		add(partPast, "%s; it was whole when this hub started, and what is measured now is recorded", *text)
	}
	if f := u.room(); f.Low {
		add(partDisk, "%v: %s", f, makeRoom)
	}
	if text := u.centreConcern(); text != "" {
		add(partCentre, "%s", text)
	}
	for _, st := range instruments {
		if st.GetState() != pb.InstrumentState_INSTRUMENT_STATE_MEASURING {
			text := strings.ToLower(strings.TrimPrefix(st.GetState().String(), "INSTRUMENT_STATE_"))
			if st.GetDetail() != "" {
				text += ": " + st.GetDetail()
			}
			add(partInstrument+st.GetInstrument(), "%s", text)
		}
	}
	return list
}

// advice says what a person can do about a record that waits.
func advice(err error) string {
	var held *ledger.HeldError
	errors.As(err, &held)
	return held.Advice()
}

// healthShown keeps the health service as the hub is.
type healthShown struct {
	server   *health.Server
	services []string
	centre   bool // the lab has one
	// Parts that have been shown, to be withdrawn when the lab has them no more.
	shown map[string]bool
}

func (h *healthShown) show(concerns []*pb.Concern, instruments []*pb.InstrumentStatus) {
	parts := wellParts(h.centre)
	for _, st := range instruments {
		parts[partInstrument+st.GetInstrument()] = true
	}
	for _, c := range concerns {
		parts[c.GetPart()] = false
	}
	set := func(name string, well bool) {
		status := healthpb.HealthCheckResponse_NOT_SERVING
		if well {
			status = healthpb.HealthCheckResponse_SERVING
		}
		h.server.SetServingStatus(name, status)
	}
	for name, well := range parts {
		set(name, well)
	}
	for name := range h.shown {
		if _, still := parts[name]; !still {
			h.server.SetServingStatus(name, healthpb.HealthCheckResponse_SERVICE_UNKNOWN)
		}
	}
	h.shown = parts
	set("", parts[partRecord])
	for _, name := range h.services {
		set(name, parts[partRecord])
	}
}

// healthPage is what /healthz answers.
type healthPage struct {
	// Serving: what is measured is recorded. Well: and nothing needs a person.
	Serving bool          `json:"serving"`
	Well    bool          `json:"well"`
	NotWell []healthOfOne `json:"not_well"`
}

type healthOfOne struct {
	Part string `json:"part"`
	Text string `json:"text"`
}

// serveHealth says what is not well: with status 200 as long as the record is kept,
// 503 when it is not.
func (u *upkeep) serveHealth(w http.ResponseWriter, _ *http.Request) {
	page := healthPage{Serving: true, Well: true, NotWell: []healthOfOne{}}
	for _, c := range u.concerns(u.instruments()) {
		page.Well = false
		page.Serving = page.Serving && c.GetPart() != partRecord
		page.NotWell = append(page.NotWell, healthOfOne{c.GetPart(), c.GetText()})
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	if !page.Serving {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	_ = json.NewEncoder(w).Encode(page)
}
