package metrics_test

import (
	"math"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/metrics"
	"github.com/evenbench/evenbench/internal/space"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// moment is a hub with something of everything.
func moment() metrics.Reading {
	return metrics.Reading{
		Version: "v1", Entries: map[string]uint64{"readings": 120, "gap": 2}, LastCursor: 130,
		Space: space.Forecast{Disk: space.Disk{Free: 4e9, Total: 5e9}, Record: 1e6, Known: true, PerDay: 1e9, Days: 4, Low: true},
		Well:  map[string]bool{"record": true, "disk": false},
		Lag:   map[string]uint64{"board": 7}, Subscribers: 2,
		Instruments: []metrics.Instrument{{
			Status: &pb.InstrumentStatus{
				Instrument: "scale", State: pb.InstrumentState_INSTRUMENT_STATE_SILENT, Restarts: 3, Unreadable: 4,
				LastReadingAt: timestamppb.New(time.Unix(1_700_000_000, 500_000_000)),
			},
			Readings: 5000, Unassigned: 600, UnassignedMeasurements: 1,
			Gaps: map[pb.GapReason]uint64{pb.GapReason_GAP_REASON_DRIVER_LOST: 2},
		}},
	}
}

// Names, units and help are as Prometheus wants them, by its own lint, and every
// metric agrees with its description.
func TestNamesAreByTheConventions(t *testing.T) {
	m := metrics.New(moment)
	m.Commit(3 * time.Millisecond)
	problems, err := testutil.GatherAndLint(m.Registry())
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	pedantic := prometheus.NewPedanticRegistry()
	if err := pedantic.Register(m.Registry()); err != nil {
		t.Fatal(err)
	}
	if _, err := pedantic.Gather(); err != nil {
		t.Error(err)
	}
}

func TestValues(t *testing.T) {
	m := metrics.New(moment)
	m.Commit(3 * time.Millisecond)
	page := httptest.NewRecorder()
	m.Handler().ServeHTTP(page, httptest.NewRequest("GET", "/metrics", nil))
	for _, want := range []string{
		`evenbench_build_info{version="v1"} 1`,
		`evenbench_record_entries_total{kind="readings"} 120`,
		`evenbench_record_last_cursor 130`,
		`evenbench_record_size_bytes 1e+06`,
		`evenbench_record_growth_bytes 1e+09`,
		`evenbench_disk_full_seconds 345600`,
		`evenbench_disk_free_bytes 4e+09`,
		`evenbench_well{part="disk"} 0`,
		`evenbench_well{part="record"} 1`,
		`evenbench_subscribers 2`,
		`evenbench_subscriber_lag_entries{subscriber="board"} 7`,
		`evenbench_readings_total{instrument="scale"} 5000`,
		`evenbench_readings_unassigned_total{instrument="scale"} 600`,
		`evenbench_measurements_unassigned{instrument="scale"} 1`,
		`evenbench_gaps_total{instrument="scale",reason="driver_lost"} 2`,
		`evenbench_gaps_total{instrument="scale",reason="device_silent"} 0`,
		`evenbench_instrument_state{instrument="scale",state="silent"} 1`,
		`evenbench_instrument_state{instrument="scale",state="measuring"} 0`,
		`evenbench_instrument_last_reading_timestamp_seconds{instrument="scale"} 1.7000000005e+09`,
		`evenbench_instrument_restarts_total{instrument="scale"} 3`,
		`evenbench_instrument_unreadable_total{instrument="scale"} 4`,
		`evenbench_record_commit_duration_seconds_bucket{le="0.0025"} 0`,
		`evenbench_record_commit_duration_seconds_bucket{le="0.005"} 1`,
		`go_goroutines`,
	} {
		if !strings.Contains(page.Body.String(), want) {
			t.Errorf("want %q in:\n%s", want, page.Body)
		}
	}
}

// What is not known is not there, and what never comes is +Inf.
func TestForecastIsAbsentOrInfinite(t *testing.T) {
	r := moment()
	m := metrics.New(func() metrics.Reading { return r })
	page := func() string {
		w := httptest.NewRecorder()
		m.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		return w.Body.String()
	}
	r.Space.PerDay, r.Space.Days = 0, math.Inf(1)
	if !strings.Contains(page(), "evenbench_disk_full_seconds +Inf") {
		t.Error("a record that does not grow fills no disk: want +Inf")
	}
	r.Space.Known = false
	if strings.Contains(page(), "evenbench_disk_full_seconds") {
		t.Error("a forecast is shown that nobody knows")
	}
}
