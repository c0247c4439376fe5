package ascii_test

import (
	"strings"
	"testing"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/ascii"
	"github.com/evenbench/evenbench/plugins/sheet"
)

var drivers = sheet.Drivers{"ascii": {Sheet: ascii.Check, Link: ascii.CheckLink}}

// Ten mistakes, each found, each with its place.
func TestCheckFindsEveryMistake(t *testing.T) {
	const text = `sheet: bad
title: A sheet with mistakes
driver: ascii
talk: {mode: listen, every: 500ms}
frame: {line: '\r\n', length: 16}
encoding: ascii
read:
  - match: '^B=(?P<bean>[-+.0-9]+'
  - match: '(?P<mass>[0-9]*)'
  - match: '^A (?P<mas>[0-9]+)(?P<mass_color>.)'
  - match: '^Z [0-9]+'
    optional: true
units: {g: }
actions: {tare: "Tµ"}
identity: {ask: "ID?\r\n", match: '^ID (.*)$'}
channels:
  mass: {quantity: mass, unit: g, kind: spot}
`
	_, problems := sheet.Parse("bad.yaml", []byte(text), drivers)
	for _, want := range []string{
		"bad.yaml:4:29: talk.every: a device that is listened to is not asked",
		`bad.yaml:5:15: frame.line: holds a backslash`,
		"bad.yaml:5:31: frame.length: a frame ends in one way",
		"bad.yaml:8:12: read[0].match: ",
		"bad.yaml:9:12: read[1].match: matches empty text",
		`bad.yaml:10:12: read[2].match: no channel uses the capture "mas"; did you mean "mass"?`,
		`bad.yaml:10:12: read[2].match: no channel uses the capture "mass_color"`,
		"bad.yaml:11:12: read[3].match: captures no value",
		"bad.yaml:12:15: read[3].optional: only a part of a ticket can be optional",
		"bad.yaml:13:9: units.g: has no unit",
		"bad.yaml:14:17: actions.tare: 'µ' is not in the encoding ascii",
		"bad.yaml:15:35: identity.match: has no capture (?P<identity>…)",
	} {
		if !strings.Contains(problems.Error(), want) {
			t.Errorf("nothing says %q", want)
		}
	}
	if t.Failed() {
		t.Logf("problems:\n%v", problems)
	}
}

func TestCheckFindsAChannelWithoutCapture(t *testing.T) {
	const text = `sheet: bad
title: A sheet with a mistake
driver: ascii
frame: {line: "\r\n"}
read: [{match: '^M (?P<mass>[0-9]+)'}]
channels:
  mass: {quantity: mass, unit: g, kind: spot}
  tare: {quantity: mass, unit: g, kind: spot}
`
	_, problems := sheet.Parse("bad.yaml", []byte(text), drivers)
	if got := problems.Error(); !strings.HasPrefix(got, "bad.yaml:8:3: channels.tare: no capture feeds this channel") || len(problems) != 1 {
		t.Errorf("got:\n%v", got)
	}
}

// A pattern that can match nothing, or give a reading of nothing, is named with its
// place; one that can is let be.
func TestCheckFindsPatternsThatReadNothing(t *testing.T) {
	const head = "sheet: bad\ntitle: A sheet\ndriver: ascii\nframe: {line: \"\\r\\n\"}\n"
	const tail = "channels:\n  mass: {quantity: mass, unit: g, kind: spot}\n"
	for read, want := range map[string]string{
		`'$M (?P<mass>[0-9]+)'`:                       "bad.yaml:5:16: read[0].match: can match nothing at all",
		`'M ^(?P<mass>[0-9]+)'`:                       "bad.yaml:5:16: read[0].match: can match nothing at all",
		`'^(M$ |[^\x00-\x{10FFFF}])(?P<mass>[0-9]+)'`: "bad.yaml:5:16: read[0].match: can match nothing at all",
		`'^M (?P<mass>[0-9]*) g$'`:                    "bad.yaml:5:16: read[0].match: the capture \"mass\" may be empty",
		`'^M (?P<mass>[0-9]?|OL) g$'`:                 "bad.yaml:5:16: read[0].match: the capture \"mass\" may be empty",
		`'^M (?P<mass>(\d{0,3})(\.\d)?) g$'`:          "bad.yaml:5:16: read[0].match: the capture \"mass\" may be empty",
		`'^M (?P<mass>[0-9]+)\r\n$'`:                  "bad.yaml:5:16: read[0].match: asks for the line end",
		`'^M (?P<mass>[0-9]+\r)'`:                     "bad.yaml:5:16: read[0].match: asks for the line end",
		`'^(M$|M (?P<mass>[0-9]+)( g)?)$'`:            "",
		`'^M (?P<mass>\d{1,3})(?P<unit>g?)$'`:         "",
		`'^(G|M (?P<mass>[0-9]+))?(\r)? g$'`:          "",
	} {
		_, problems := sheet.Parse("bad.yaml", []byte(head+"read: [{match: "+read+"}]\n"+tail), drivers)
		if got := problems.Error(); want == "" && got != "" || !strings.HasPrefix(got, want) {
			t.Errorf("%s:\n got %q\nwant %q", read, got, want)
		}
	}
	for more, want := range map[string]string{
		`ignore: ['^(?P<what>HELLO)$']`:                         `bad.yaml:6:10: ignore[0]: nothing uses the capture "what" here`,
		`actions: {tare: {send: "T", answer: '^(?P<mass>T)$'}}`: `bad.yaml:6:37: actions.tare.answer: nothing uses the capture "mass" here`,
		`identity: {match: '^(?P<identity>I)(?P<more>D)$'}`:     `bad.yaml:6:19: identity.match: nothing uses the capture "more" here`,
	} {
		_, problems := sheet.Parse("bad.yaml", []byte(head+"read: [{match: '^M (?P<mass>[0-9]+)'}]\n"+more+"\n"+tail), drivers)
		if got := problems.Error(); got != want+": values are captured by the rules under read" {
			t.Errorf("%s:\n got %q\nwant %q", more, got, want)
		}
	}
}

func TestCheckLink(t *testing.T) {
	for text, want := range map[string]string{
		`{tcp: 127.0.0.1:4101}`:                  "",
		`{unix: /run/scale.sock}`:                "",
		`{serial: /dev/ttyUSB0, parity: even}`:   "",
		`{tcp: scale}`:                           "x:1:13: link.tcp: \"scale\" is no address",
		`{tcp: 127.0.0.1:1, unix: /run/x}`:       "x:1:32: link.unix: a link has one end",
		`{baud: 9600}`:                           "link: says no way to the device",
		`{serial: /dev/ttyUSB0, parity: evn}`:    "did you mean \"even\"?",
		`{serial: /dev/ttyUSB0, baud: 9600 8N1}`: "link.baud: must be a number",
	} {
		root := document.Parse("x", []byte("link: "+text))
		ascii.CheckLink(root.Field("link"))
		if got := root.Problems.Error(); want == "" && got != "" || !strings.Contains(got, want) {
			t.Errorf("%s: got %q, want %q", text, got, want)
		}
	}
}
