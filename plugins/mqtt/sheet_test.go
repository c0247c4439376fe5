package mqtt_test

import (
	"strings"
	"testing"

	"go.uber.org/goleak"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/mqtt"
	"github.com/evenbench/evenbench/plugins/sdk"
	"github.com/evenbench/evenbench/plugins/sheet"
	"github.com/evenbench/evenbench/plugins/sheet/sheettest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var drivers = sheet.Drivers{"mqtt": {Sheet: mqtt.Check, Link: mqtt.CheckLink}}

func TestCheckFindsEveryMistake(t *testing.T) {
	const text = `sheet: bad
title: A sheet with mistakes
driver: mqtt
talk: {qos: 2}
topics:
  - topic: air/#
    time: at
    read:
      - {channel: temprature, value: /t}
      - {channel: humidity, value: "/h~2", units: /u}
      - {channel: humidity, value: /h}
      - {channel: pressure}
  - topic: plain
    read: [{channel: mass, status: /state}]
  - topic: plain
    read: []
  - read: [{value: /x}, {value: 7, channel: label}]
availability: {topic: plain, online: "1", offline: "1"}
channels:
  temperature: {quantity: temperature, unit: Cel, kind: continuous}
  humidity: {quantity: relative_humidity, unit: "%", kind: continuous}
  pressure: {quantity: pressure, unit: hPa, kind: continuous}
  mass: {quantity: mass, unit: g, kind: spot}
  label: {quantity: code}
`
	_, problems := sheet.Parse("bad.yaml", []byte(text), drivers)
	sheettest.Says(t, problems,
		`bad.yaml:4:1: talk: `,
		`bad.yaml:6:12: topics[0].topic: "air/#" has a wildcard`,
		`bad.yaml:7:11: topics[0].time: "at" is no JSON pointer: it begins with a slash, such as /at`,
		`bad.yaml:9:19: topics[0].read[0].channel: there is no channel "temprature"; did you mean "temperature"?`,
		`bad.yaml:10:36: topics[0].read[1].value: "/h~2" is no JSON pointer: behind ~`,
		`topics[0].read[1].units: `,
		`topics[0].read[2].channel: channel humidity is fed already`,
		`topics[0].read[3]: value is missing`,
		`bad.yaml:14:36: topics[1].read[0].status: is for payloads in JSON`,
		`topics[2]: topic "plain" is listed already`,
		`topics[2].read: names no channel`,
		`topics[3].read[0]: channel is missing`,
		`bad.yaml:17:33: topics[3].read[1].value: must be text`,
		`bad.yaml:18:15: availability: online and offline are both "1"`,
		`bad.yaml:18:23: availability.topic: "plain" is a topic of readings`,
		`bad.yaml:20:3: channels.temperature: no topic feeds this channel`,
	)
}

func TestCheckFindsASheetWithoutTopicsAndChannels(t *testing.T) {
	_, problems := sheet.Parse("bad.yaml", []byte("sheet: bad\ntitle: Nothing\ndriver: mqtt\nchannels: {}\n"), drivers)
	sheettest.Says(t, problems, "channels: must have at least one channel", "topics is missing")
}

func TestCheckFindsEveryMistakeOfALink(t *testing.T) {
	for link, want := range map[string]string{
		`{}`:                                             "mqtt is missing: write the broker's host:port",
		`{mqtt: broker, under: lab}`:                     `mqtt: "broker" is no address`,
		`{mqtt: "b:1883", under: /lab}`:                  `under: "/lab" begins or ends with a slash`,
		`{mqtt: "b:1883", under: lab/+}`:                 "has a wildcard",
		`{mqtt: "b:1883", under: ""}`:                    "under: is empty",
		`{mqtt: "b:1883", under: lab, password: kettle}`: "password: a lab file is read by many",
		`{mqtt: "b:1883", under: lab, user: a, password_file: secret}`:                                  `password_file: "secret" is no full path`,
		`{mqtt: "b:1883", under: lab, user: a, password_env: "brass kettle"}`:                           "password_env: is no name of a variable",
		`{mqtt: "b:1883", under: lab, user: a, password_env: A, password_file: /etc/secret}`:            "there is a password_file as well",
		`{mqtt: "b:1883", under: lab, password_env: A}`:                                                 "has a password, but no user",
		`{mqtt: "b:1883", under: lab, ca: /etc/ca.crt}`:                                                 "ca: is for TLS",
		`{mqtt: "b:1883", under: lab, tls: true, key: /etc/hub.key}`:                                    "certificate and key belong together",
		`{mqtt: "b:8883", under: lab, tls: true, ca: /etc/ca.crt, user: a, password_file: /etc/secret}`: "",
	} {
		root := document.Parse("lab.yaml", []byte(link))
		mqtt.CheckLink(root.Node)
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

func TestOpenRefusesWhatCannotBeUsed(t *testing.T) {
	_, err := mqtt.Driver().Open(t.Context(), sdk.Settings{
		Sheet: map[string]any{"channels": map[string]any{"x": map[string]any{}}, "topics": []any{}},
		Link:  map[string]any{"mqtt": "broker"},
	})
	if err == nil || !strings.Contains(err.Error(), "no topic feeds this channel") || !strings.Contains(err.Error(), `"broker" is no address`) {
		t.Errorf("got %v", err)
	}
}
