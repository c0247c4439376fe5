package mqtt

import (
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sheet"
)

// longestTopic is how long a topic may be, in bytes of UTF-8 (MQTT 5.0, 1.5.4).
const longestTopic = 65535

// Sheet is what a sheet says to this driver: on which topics an instrument
// publishes, and where in a payload each value stands.
type Sheet struct {
	channels     []sheet.Fed
	topics       []topic
	availability *availability // nil: it says nothing of itself
	// units are the device's own words for units, and the UCUM codes that they mean.
	units map[string]string
}

// topic is one topic that an instrument publishes on. Without pointers its payload
// is a number or a text, and no JSON.
type topic struct {
	name string
	json bool
	// time and identity are nil where the payload does not say them.
	time, identity pointer
	read           []value
}

// value says where the reading of a channel stands in a payload.
type value struct {
	channel int
	value   pointer
	// unit and status are nil where the payload does not say them.
	unit, status pointer
	// optional: a payload may lack it.
	optional bool
}

// availability is the topic on which a device, or the broker in its name (its last
// will), says whether it is there.
type availability struct{ topic, online, offline string }

// Check records what is wrong with the sections of a sheet that this driver reads.
func Check(n *document.Node) { ReadSheet(n) }

// ReadSheet reads the sections of a sheet that this driver reads, and records
// what is wrong with them as problems of the document. The sheet may be used only
// if there are none.
func ReadSheet(n *document.Node) *Sheet {
	s := &Sheet{units: map[string]string{}}
	feeds := sheet.ReadFeeds(n, "topic")
	s.channels = feeds.Channels
	for _, e := range n.Field("units").Entries() {
		s.units[e.Key] = e.Value.Text("")
	}
	list := n.Require("topics", "a list of topics, each with what to read of its payload")
	for _, item := range list.Items() {
		if item.Expect(document.Map) {
			s.topics = append(s.topics, s.readTopic(item, feeds))
		}
	}
	if list != nil {
		feeds.End("topics")
	}
	s.readAvailability(n.Field("availability"))
	return s
}

func (s *Sheet) readTopic(n *document.Node, feeds *sheet.Feeds) topic {
	t := topic{name: readName(n.Field("topic"))}
	if slices.ContainsFunc(s.topics, func(o topic) bool { return o.name == t.name }) {
		n.Problem("topic %q is listed already: put all that is read of it under one", t.name)
	}
	t.time, t.identity = readPointer(n.Field("time")), readPointer(n.Field("identity"))
	list := n.Require("read", "a list of channels, each with a JSON pointer to its value")
	for _, item := range list.Items() {
		if !item.Expect(document.Map) {
			continue
		}
		v := readValue(item, feeds)
		t.json = t.json || v.value != nil
		t.read = append(t.read, v)
	}
	switch {
	case list == nil:
	case len(t.read) == 0:
		list.Problem("names no channel")
	case !t.json && len(t.read) > 1:
		list.Problem("a payload without JSON is one value: name one channel, or write value: with a JSON pointer for each")
	case !t.json:
		for _, of := range []*document.Node{n.Field("time"), n.Field("identity"), list.Items()[0].Field("unit"), list.Items()[0].Field("status")} {
			of.Problem("is for payloads in JSON: write value: with the JSON pointer of the value as well, or leave it out")
		}
	default:
		for i, v := range t.read {
			if v.value == nil {
				list.Items()[i].Problem("value is missing: write the JSON pointer of the value, as for the other channels of this topic")
			}
		}
	}
	return t
}

// readName reads a topic below that of the link; empty for the link's own.
func readName(n *document.Node) string {
	name := n.Text("")
	switch {
	case strings.ContainsAny(name, "+#"):
		n.Problem("%q has a wildcard, which would mix what several devices say: name one topic", name)
	case strings.ContainsRune(name, 0) || len(name) > longestTopic:
		n.Problem("cannot be a topic: it has a NUL, or more than %d bytes", longestTopic)
	case strings.HasPrefix(name, "/") || strings.HasSuffix(name, "/"):
		n.Problem("%q begins or ends with a slash, and is a part of a topic: leave the slash out", name)
	}
	return name
}

func readValue(n *document.Node, feeds *sheet.Feeds) value {
	return value{
		channel:  feeds.Feed(n.Require("channel", "the name of the channel that it feeds")),
		value:    readPointer(n.Field("value")),
		unit:     readPointer(n.Field("unit")),
		status:   readPointer(n.Field("status")),
		optional: n.Field("optional").Bool(false),
	}
}

// readPointer reads a JSON pointer; nil if there is none.
func readPointer(n *document.Node) pointer {
	if n == nil {
		return nil
	}
	p := pointer{} // a wrong one is there, too
	if n.Expect(document.Text) {
		var err error
		if p, err = parsePointer(n.Text("")); err != nil {
			n.Problem("%v", err)
			return pointer{}
		}
	}
	return p
}

func (s *Sheet) readAvailability(n *document.Node) {
	if n == nil || !n.Expect(document.Map) {
		return
	}
	at := n.Require("topic", "the topic on which the device, or its last will, says whether it is there")
	s.availability = &availability{
		topic:   readName(at),
		online:  n.Field("online").Text("online"),
		offline: n.Field("offline").Text("offline"),
	}
	if s.availability.online == s.availability.offline {
		n.Problem("online and offline are both %q, and could not be told apart", s.availability.online)
	}
	if slices.ContainsFunc(s.topics, func(o topic) bool { return o.name == s.availability.topic }) {
		at.Problem("%q is a topic of readings: the availability has a topic of its own", s.availability.topic)
	}
}

// under returns the topics as the broker knows them.
func (s *Sheet) under(prefix string) map[string]*topic {
	out := make(map[string]*topic, len(s.topics))
	for i := range s.topics {
		out[join(prefix, s.topics[i].name)] = &s.topics[i]
	}
	return out
}

// join puts a topic of the sheet under that of the link.
func join(prefix, name string) string {
	if prefix == "" || name == "" {
		return prefix + name
	}
	return prefix + "/" + name
}
