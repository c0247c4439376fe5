package main_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// P8: what an OPC UA server says of a value, its status and its time, is recorded
// beside it, and what is bad is no value; by the real hub and its driver process.
func TestP8_AClimateServer(t *testing.T) {
	server := peers.OPCUA(t)
	b := serve(t, fmt.Sprintf("  - {name: air, station: reception, sheet: climate-server, link: {opcua: %q}}\n", server.Endpoint()))

	const then = "2026-11-26T09:00:00Z"
	r := b.row("air", "temperature", then)
	if q, why := r.Quality(); q != pb.Quality_QUALITY_GOOD || r.Value != 20.5 || r.DeviceText() != "20.5" {
		t.Errorf("the first value is %v (%q), %v for %v", r.Value, r.DeviceText(), q, why)
	}
	if s := b.status("air"); s.GetDeviceIdentity() != "urn:evenbench:test:climate" {
		t.Errorf("identity %q", s.GetDeviceIdentity())
	}
	for _, c := range []struct {
		status, at, recorded string
		quality              pb.Quality
		reason               pb.QualityReason
	}{
		{"UncertainSensorNotAccurate", "2026-11-26T09:00:01Z", "doubtful: UncertainSensorNotAccurate", pb.Quality_QUALITY_UNCERTAIN, pb.QualityReason_QUALITY_REASON_DEVICE_STATUS},
		{"UncertainLastUsableValue", "2026-11-26T09:00:02Z", "stale: UncertainLastUsableValue", pb.Quality_QUALITY_UNCERTAIN, pb.QualityReason_QUALITY_REASON_STALE},
		{"BadSensorFailure", "2026-11-26T09:00:03Z", "broken: BadSensorFailure", pb.Quality_QUALITY_BAD, pb.QualityReason_QUALITY_REASON_SENSOR_BREAK},
		{"BadNoCommunication", "2026-11-26T09:00:04Z", "BadNoCommunication", pb.Quality_QUALITY_BAD, pb.QualityReason_QUALITY_REASON_UNREADABLE},
	} {
		server.Set(peers.Value{Node: "Air.Temperature", Value: 21.5, Status: c.status, Time: c.at})
		r := b.row("air", "temperature", c.at)
		q, why := r.Quality()
		if q != c.quality || !slices.Contains(why, c.reason) || r.DeviceStatus() != c.recorded {
			t.Errorf("%s is recorded as %q, %v for %v", c.status, r.DeviceStatus(), q, why)
		}
		if bad := c.quality == pb.Quality_QUALITY_BAD; bad != (r.Value != r.Value) {
			t.Errorf("%s: the value is %v", c.status, r.Value)
		}
	}
	// The driver outlives the server, and says so.
	server.Stop()
	b.await("the server's end", func(e *pb.Entry) bool {
		return e.GetInstrumentChanged().GetInstrument() == "air" && strings.Contains(e.GetInstrumentChanged().GetDetail(), "next try in")
	})
	server.Start()
	server.Set(peers.Value{Node: "Air.Temperature", Value: 22.5, Time: "2026-11-26T09:01:00Z"})
	if r := b.row("air", "temperature", "2026-11-26T09:01:00Z"); r.Value != 22.5 {
		t.Errorf("after the server came back: %v", r.Value)
	}
	if code := b.end(); code != 0 {
		t.Errorf("the hub ended with %d", code)
	}
	wants(t, b.audit().out, "complete")
}
