package opcua_test

import (
	"strings"
	"testing"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/internal/recorded"
	"github.com/evenbench/evenbench/plugins/opcua"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheet/sheettest"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var drivers = sheet.Drivers{"opcua": {Sheet: opcua.Check, Link: opcua.CheckLink}}

func TestCheckFindsEveryMistake(t *testing.T) {
	const text = `sheet: bad
title: A sheet with mistakes
driver: opcua
talk: {every: 5, interval: 1s}
nodes:
  - {channel: temprature, node: "ns=2;s=Air"}
  - {channel: humidity, node: "Air.Humidity"}
  - {channel: humidity, node: "ns=2;x=5"}
  - {channel: pressure, node: "nsu=urn:a"}
  - {channel: mass, node: "ns=70000;i=1"}
  - {channel: label, node: 5, unit: g}
  - {node: "nsu=urn:a;i=x"}
channels:
  temperature: {quantity: temperature, unit: Cel, kind: continuous}
  humidity: {quantity: relative_humidity, unit: "%", kind: continuous}
  pressure: {quantity: pressure, unit: hPa, kind: continuous}
  mass: {quantity: mass, unit: g, kind: spot}
  label: {quantity: code}
`
	_, problems := sheet.Parse("bad.yaml", []byte(text), drivers)
	sheettest.Says(t, problems,
		"bad.yaml:4:15: talk.every: 5 has no unit",
		"bad.yaml:4:18: talk.interval: unknown key",
		`bad.yaml:6:15: nodes[0].channel: there is no channel "temprature"; did you mean "temperature"?`,
		`bad.yaml:7:31: nodes[1].node: "Air.Humidity" is no id of a node`,
		"nodes[2].channel: channel humidity is fed already",
		`bad.yaml:8:31: nodes[2].node: "ns=2;x=5" is no id of a node`,
		`bad.yaml:9:31: nodes[3].node: "nsu=urn:a" is no id of a node`,
		`bad.yaml:10:27: nodes[4].node: "ns=70000;i=1" is no id of a node`,
		"bad.yaml:11:28: nodes[5].node: \"5\" is no id of a node",
		"bad.yaml:11:31: nodes[5].unit: unknown key",
		"nodes[6]: channel is missing",
		`bad.yaml:12:12: nodes[6].node: "nsu=urn:a;i=x" is no id of a node`,
		"bad.yaml:14:3: channels.temperature: no node feeds this channel",
	)
	_, problems = sheet.Parse("bad.yaml", []byte("sheet: bad\ntitle: Nothing\ndriver: opcua\nchannels: {}\n"), drivers)
	sheettest.Says(t, problems, "channels: must have at least one channel", "nodes is missing")
}

func TestCheckFindsEveryMistakeOfALink(t *testing.T) {
	for link, want := range map[string]string{
		`{}`:                                   "opcua is missing: write the server's address",
		`{opcua: "192.168.1.30:4840"}`:         "is no address of an OPC UA server: write opc.tcp://HOST:PORT",
		`{opcua: "opc.tcp://server"}`:          "is no address of an OPC UA server",
		`{opcua: "opc.tcp://a:kettle@b:4840"}`: "has a user or a password in it",
		`{opcua: "http://a:kettle@b:4840"}`:    "is no address of an OPC UA server",
		`{opcua: "opc.tcp://b:4840", user: a, password: kettle}`:         "password: a lab file is read by many",
		`{opcua: "opc.tcp://b:4840", password_env: SECRET}`:              "has a password, but no user",
		`{opcua: "opc.tcp://b:4840/UA", user: a, password_file: /etc/s}`: "",
	} {
		root := document.Parse("lab.yaml", []byte(link))
		opcua.CheckLink(root.Node)
		root.Unknown()
		said := ""
		if len(root.Problems) > 0 {
			said = root.Problems.Error()
		}
		if (want == "") != (said == "") || !strings.Contains(said, want) {
			t.Errorf("%s: got %q, want %q", link, said, want)
		}
		if strings.Contains(said, "kettle") {
			t.Errorf("%s: the password is in %q", link, said)
		}
	}
}

// A server that is not there is said to be, and tried again, and nothing is left
// behind.
func TestNoServer(t *testing.T) {
	d, err := opcua.Driver().Open(t.Context(), sdk.Settings{
		Sheet: map[string]any{
			"channels": map[string]any{"air": map[string]any{"kind": "continuous"}},
			"nodes":    []any{map[string]any{"channel": "air", "node": "i=2258"}},
		},
		Link: map[string]any{"opcua": "opc.tcp://127.0.0.1:1"},
	})
	if err != nil {
		t.Fatal(err)
	}
	recorded.Run(t, d).WaitState(t, pb.DeviceState_DEVICE_STATE_LOST, "next try in 500ms")
}
