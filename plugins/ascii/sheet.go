package ascii

import (
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	// defaultLongest frame, in bytes: the lines of bench instruments are shorter
	// than this by a factor of three or more (common practice).
	defaultLongest = 256
	// mostLongest keeps what a driver holds for one frame small.
	mostLongest = 64 << 10
	// defaultTicket is the longest ticket, in bytes.
	defaultTicket = 4096
	// defaultTimeout is how long an answer may take.
	defaultTimeout = 2 * time.Second
)

// Sheet is what a sheet says to this driver: how to talk to the device, how to
// cut what it sends into frames, and how to read them.
type Sheet struct {
	channels []sheet.Fed
	talk     talk
	framing  framing
	ticket   *ticket
	encoding string
	decimal  byte
	rules    []rule
	ignore   []*regexp.Regexp
	units    map[string]string
	actions  map[pb.Action]action
	identity identity
}

type talk struct {
	// ask is what to send to get an answer; empty if the device speaks by itself.
	ask []byte
	// every is the time from one question to the next, in the lab's time; 0: only
	// when the hub asks for a measurement.
	every time.Duration
	// timeout for an answer, in real time.
	timeout time.Duration
	// streams: the device speaks by itself, all the time, so that a reader who
	// joins finds it in the middle of a frame.
	streams bool
}

// ticket says which lines belong together.
type ticket struct {
	begin, end *regexp.Regexp
	longest    int
}

type identity struct {
	ask   []byte
	match *regexp.Regexp
}

// action is one thing the device can be made to do.
type action struct {
	send []byte
	// answer and refused are what the device says to it; nil: nothing is
	// expected.
	answer, refused *regexp.Regexp
}

// Check records what is wrong with the sections of a sheet that this driver
// reads.
func Check(n *document.Node) { ReadSheet(n) }

// ReadSheet reads the sections of a sheet that this driver reads, and records
// what is wrong with them as problems of the document. The sheet may be used only
// if there are none.
func ReadSheet(n *document.Node) *Sheet {
	s := &Sheet{}
	s.encoding = n.Field("encoding").OneOf(encodingASCII, encodingUTF8, encodingLatin1)
	s.decimal = n.Field("decimal").OneOf(".", ",")[0]
	s.channels = sheet.ReadFeeds(n, "rule").Channels
	s.readTalk(n.Field("talk"), hasCadence(n.Field("channels")))
	s.readFrame(n.Require("frame", `how a frame ends, such as {line: "\r\n"}`))
	s.readRules(n.Require("read", "a list of rules, each with match"), n.Field("channels"))
	s.readUnits(n.Field("units"))
	s.readActions(n.Field("actions"))
	s.readIdentity(n.Field("identity"))
	for _, item := range n.Field("ignore").Items() {
		if re := uncaptured(item); re != nil {
			s.ignore = append(s.ignore, re)
		}
	}
	return s
}

// hasCadence tells whether one of the channels is said to come at intervals.
func hasCadence(channels *document.Node) bool {
	return slices.ContainsFunc(channels.Entries(), func(e document.Entry) bool {
		return e.Value.Kind() == document.Map && e.Value.Field("cadence") != nil
	})
}

func (s *Sheet) channel(name string) int {
	return slices.IndexFunc(s.channels, func(c sheet.Fed) bool { return c.Name == name })
}

func (s *Sheet) readTalk(n *document.Node, cadence bool) {
	mode := n.Field("mode").OneOf("listen", "ask")
	s.talk.timeout = n.Field("timeout").Duration(defaultTimeout)
	ask, every := n.Field("ask"), n.Field("every")
	s.talk.ask, s.talk.every = s.bytes(ask), every.Duration(0)
	if mode == "ask" {
		if ask == nil {
			n.Problem(`ask is missing: write what to send for a reading, such as ask: "READ\r\n"`)
		}
		return
	}
	s.talk.streams = cadence
	for _, f := range []*document.Node{ask, every} {
		f.Problem("a device that is listened to is not asked: write mode: ask, or remove this")
	}
}

func (s *Sheet) readFrame(n *document.Node) {
	line, delimiter, length := n.Field("line"), n.Field("delimiter"), n.Field("length")
	given := 0
	for _, f := range []*document.Node{line, delimiter, length} {
		if f == nil {
			continue
		}
		if given++; given > 1 {
			f.Problem("a frame ends in one way: keep one of line, delimiter, length")
		}
	}
	if given == 0 {
		n.Problem(`says no end of a frame: write line: "\r\n", or delimiter: "\x03", or length: 16`)
	}
	f := &s.framing
	f.longest = n.Field("longest").Int(defaultLongest, 1, mostLongest)
	f.start = s.bytes(n.Field("start"))
	f.line = line != nil
	switch {
	case line != nil:
		f.end = s.bytes(line)
	case delimiter != nil:
		f.end = s.bytes(delimiter)
	case length != nil:
		f.length = length.Int(1, 1, mostLongest)
		if len(f.start) == 0 {
			length.Problem("a frame of a fixed length needs a start mark, or a reader that joins in the middle never finds its beginning: write start")
		}
	}
	s.readTicket(n.Field("ticket"), f.line)
}

func (s *Sheet) readTicket(n *document.Node, line bool) {
	if n == nil {
		return
	}
	if !line {
		n.Problem("a ticket is made of lines: write line beside it")
	}
	s.ticket = &ticket{
		begin:   uncaptured(n.Require("begin", "a pattern that the first line of a ticket matches")),
		end:     uncaptured(n.Require("end", "a pattern that the last line of a ticket matches")),
		longest: n.Field("longest").Int(defaultTicket, 1, mostLongest),
	}
}

func (s *Sheet) readUnits(n *document.Node) {
	s.units = map[string]string{}
	for _, e := range n.Entries() {
		if code := e.Value.Text(""); code == "" {
			e.Place.Problem("has no unit: write the UCUM code that the device's word stands for")
		} else {
			s.units[e.Key] = code
		}
	}
}

func (s *Sheet) readIdentity(n *document.Node) {
	if n == nil {
		return
	}
	s.identity.ask = s.bytes(n.Field("ask"))
	match := n.Require("match", "a pattern with the capture (?P<identity>…)")
	if s.identity.match = uncaptured(match, "identity"); s.identity.match != nil && s.identity.match.SubexpIndex("identity") < 0 {
		match.Problem("has no capture (?P<identity>…)")
	}
}

func (s *Sheet) readActions(n *document.Node) {
	s.actions = map[pb.Action]action{}
	for _, key := range []pb.Action{pb.Action_ACTION_TARE, pb.Action_ACTION_ZERO, pb.Action_ACTION_MEASURE} {
		f := n.Field(actionName(key))
		if f == nil {
			continue
		}
		a := action{}
		if f.Kind() == document.Map {
			a.send = s.bytes(f.Require("send", `what to send, such as "T\r\n"`))
			a.answer = uncaptured(f.Field("answer"))
			a.refused = uncaptured(f.Field("refused"))
		} else {
			a.send = s.bytes(f)
		}
		s.actions[key] = a
	}
	if _, ok := s.actions[pb.Action_ACTION_MEASURE]; !ok && len(s.talk.ask) > 0 {
		s.actions[pb.Action_ACTION_MEASURE] = action{send: s.talk.ask}
	}
}

// bytes reads text that is sent to, or looked for in, what comes from the device.
func (s *Sheet) bytes(n *document.Node) []byte {
	text := n.Text("")
	if n == nil {
		return nil
	}
	if text == "" {
		n.Problem("is empty")
	}
	if strings.Contains(text, `\r`) || strings.Contains(text, `\n`) || strings.Contains(text, `\x`) {
		n.Problem(`holds a backslash: write %s in double quotes, so that \r and \n mean carriage return and line feed`, text)
	}
	b, err := encode(text, s.encoding)
	if err != nil {
		n.Problem("%v: write another encoding, or mend the text", err)
	}
	return b
}
