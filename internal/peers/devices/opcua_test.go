package devices_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/peers"
	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/opcua"
	"github.com/evenbench/evenbench/plugins/sdk"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// everyNode is a sheet of all nodes that the server has, and one that it has not.
func everyNode() map[string]any {
	channels, nodes := map[string]any{}, []any{}
	for name, kind := range map[string]map[string]any{
		"Air.Temperature": {"kind": "continuous"}, "Air.Humidity": {"kind": "continuous"}, "Air.Pressure": {"kind": "continuous"},
		"Door.Open": {"kind": "continuous"}, "Scanner.Label": {"quantity": "code"}, "Meter.Moisture": {"kind": "spot"},
		"Not.There": {"kind": "continuous"},
	} {
		channel := strings.ToLower(strings.ReplaceAll(name, ".", "_"))
		channels[channel] = kind
		nodes = append(nodes, map[string]any{"channel": channel, "node": "nsu=urn:evenbench:climate;s=" + name})
	}
	return map[string]any{"talk": map[string]any{"every": "100ms"}, "channels": channels, "nodes": nodes}
}

// of returns the last reading of a channel; false if there is none.
func of(s recorded.Said, channel string) (sdk.Reading, bool) {
	all := s.Channel(channel)
	if len(all) == 0 {
		return sdk.Reading{}, false
	}
	return all[len(all)-1], true
}

// An OPC UA server of another's making is subscribed to: types, statuses, timestamps,
// and a server that goes and comes back.
func TestOPCUAAgainstNode(t *testing.T) {
	server := peers.OPCUA(t)
	_, out := run(t, opcua.Driver(), sdk.Settings{Instrument: "air", Sheet: everyNode(), Link: map[string]any{"opcua": server.Endpoint()}})

	s := out.Wait(t, "the first values", func(s recorded.Said) bool { return len(s.Readings) >= 4 })
	const then = "2026-11-26T09:00:00Z"
	for _, want := range []sdk.Reading{
		{Channel: "air_temperature", Value: 20.5, Text: "20.5", DeviceTime: then},
		{Channel: "air_humidity", Value: 48.25, Text: "48.25", DeviceTime: then},
		{Channel: "air_pressure", Value: 955, Text: "955", DeviceTime: then},
		{Channel: "door_open", Value: 1, Text: "true", DeviceTime: then},
	} {
		if got, _ := of(s, want.Channel); got != want {
			t.Errorf("got %+v, want %+v", got, want)
		}
	}
	if s.Identity != "urn:evenbench:test:climate" {
		t.Errorf("identity %q", s.Identity)
	}
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_CONNECTED, "s=Not.There: the server does not give this node: BadNodeIDUnknown")
	if all := strings.Join(s.Log, "\n"); !strings.Contains(all, "Test climate server by Evenbench, version 7") {
		t.Errorf("what the server is, is not said: %s", all)
	}

	// What was there before is no scan and no measurement; what comes then is.
	server.Set(peers.Value{Node: "Scanner.Label", Value: "EB0002"})
	server.Set(peers.Value{Node: "Meter.Moisture", Value: 11.4})
	s = out.Wait(t, "a scan and a measurement", func(s recorded.Said) bool {
		return len(s.Channel("scanner_label")) > 0 && len(s.Channel("meter_moisture")) > 0
	})
	if r := s.Channel("scanner_label")[0]; r.Text != "EB0002" {
		t.Errorf("label: %+v", r)
	}
	if r := s.Channel("meter_moisture")[0]; r.Value != 11.4 {
		t.Errorf("moisture: %+v", r)
	}

	for _, c := range []struct {
		value  peers.Value
		status string
		want   float64
	}{
		{peers.Value{Value: 21.5, Status: "UncertainLastUsableValue"}, "stale: UncertainLastUsableValue", 21.5},
		{peers.Value{Value: 21.6, Status: "UncertainSensorNotAccurate"}, "doubtful: UncertainSensorNotAccurate", 21.6},
		{peers.Value{Value: 21.7, Status: "BadSensorFailure"}, "broken: BadSensorFailure", math.NaN()},
		{peers.Value{Value: 21.8, Status: "BadNoCommunication"}, "BadNoCommunication", math.NaN()},
		{peers.Value{Value: 21.9, Status: "GoodLocalOverride"}, "GoodLocalOverride", 21.9},
		// The same value, measured again.
		{peers.Value{Value: 22.0, Time: "2026-11-26T10:00:00Z"}, "", 22},
		{peers.Value{Value: 22.0, Time: "2026-11-26T10:00:05.25Z"}, "", 22},
	} {
		c.value.Node = "Air.Temperature"
		before := len(out.Said().Channel("air_temperature"))
		server.Set(c.value)
		s := out.Wait(t, c.status, func(s recorded.Said) bool { return len(s.Channel("air_temperature")) > before })
		r := s.Channel("air_temperature")[before]
		if r.Status != c.status || r.Value != c.want && !(math.IsNaN(r.Value) && math.IsNaN(c.want)) || c.value.Time != "" && r.DeviceTime != c.value.Time {
			t.Errorf("%+v was read as %+v", c.value, r)
		}
	}

	// The server goes and comes back with what it had: nothing is told twice. Then
	// the clock of the server goes on, and so do the readings.
	server.Set(peers.Value{Node: "Air.Temperature", Value: 20.5, Time: then})
	out.Wait(t, "the value of the start", func(s recorded.Said) bool {
		r, _ := of(s, "air_temperature")
		return r.DeviceTime == then
	})
	before := len(out.Said().Readings)
	server.Stop()
	out.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "next try in")
	server.Start()
	out.Wait(t, "the connection", func(s recorded.Said) bool {
		return s.States[len(s.States)-1].State == pb.DeviceState_DEVICE_STATE_CONNECTED
	})
	server.Set(peers.Value{Node: "Air.Temperature", Value: 19.0, Time: "2026-11-26T11:00:00Z"})
	s = out.Wait(t, "a reading after that", func(s recorded.Said) bool {
		r, _ := of(s, "air_temperature")
		return r.Value == 19
	})
	if fresh := s.Readings[before:]; len(fresh) != 1 {
		t.Errorf("told twice: %+v", fresh)
	}
	if len(s.Unreadable) > 0 {
		t.Errorf("not read: %q", s.Unreadable)
	}
}

// A server that wants to know who comes: the wrong password is refused and not said,
// nobody is told to bring one, and the right one lets in.
func TestOPCUAPassword(t *testing.T) {
	server := peers.OPCUA(t, "hub", password)
	link := map[string]any{"opcua": server.Endpoint()}
	settings := sdk.Settings{Instrument: "air", Sheet: everyNode(), Link: link}
	_, nobody := run(t, opcua.Driver(), settings)
	nobody.WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "add user and password_file to the link")

	link["user"], link["password_env"] = "hub", "EVENBENCH_TEST_OPCUA"
	t.Setenv("EVENBENCH_TEST_OPCUA", password+"s")
	_, out := run(t, opcua.Driver(), settings)
	out.Wait(t, "the refusal", func(s recorded.Said) bool {
		return slices.ContainsFunc(s.States, func(x recorded.State) bool {
			return strings.Contains(x.Detail, "BadUserAccessDenied") || strings.Contains(x.Detail, "BadIdentityTokenRejected") || strings.Contains(x.Detail, "does not let this user in")
		})
	})
	t.Setenv("EVENBENCH_TEST_OPCUA", password)
	s := out.Wait(t, "a reading", func(s recorded.Said) bool { return len(s.Readings) > 0 })
	silent(t, s)
}
