package scpi

import (
	"slices"
	"strings"
	"time"

	"github.com/evenbench/evenbench/internal/document"
	"github.com/evenbench/evenbench/plugins/sheet"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

const (
	defaultEvery = time.Second
	// defaultTimeout for an answer, in real time. A measurement that integrates
	// over ten cycles of the mains takes 0.2 s.
	defaultTimeout = 3 * time.Second
	// skipped stands in gives for a value that is not wanted.
	skipped = "-"
)

// Sheet is what a sheet says to this driver: what to ask, how often, and what the
// values of each answer mean.
type Sheet struct {
	channels []sheet.Fed
	timeout  time.Duration
	// end of what is sent.
	end     string
	setup   []string
	queries []query
	units   map[string]string
	actions map[pb.Action]string
}

// query is one question and what its answer gives.
type query struct {
	ask   string
	every time.Duration // in the lab's time
	// gives has a channel for each value of the answer; -1 for one that is not
	// wanted.
	gives []int
}

// Check records what is wrong with the sections of a sheet that this driver
// reads.
func Check(n *document.Node) { ReadSheet(n) }

// ReadSheet reads the sections of a sheet that this driver reads, and records
// what is wrong with them as problems of the document. The sheet may be used only
// if there are none.
func ReadSheet(n *document.Node) *Sheet {
	s := &Sheet{units: map[string]string{}, actions: map[pb.Action]string{}}
	feeds := sheet.ReadFeeds(n, "query")
	s.channels = feeds.Channels
	talk := n.Field("talk")
	every := talk.Field("every").Duration(defaultEvery)
	s.timeout = talk.Field("timeout").Duration(defaultTimeout)
	s.end = map[string]string{"lf": "\n", "crlf": "\r\n"}[talk.Field("end").OneOf("lf", "crlf")]
	for _, item := range n.Field("setup").Items() {
		if c := command(item); strings.Contains(c, "?") {
			item.Problem("%q is a question, and setup tells: remove the question mark, or move it to queries", c)
		} else {
			s.setup = append(s.setup, c)
		}
	}
	list := n.Require("queries", "a list of questions, each with ask and gives")
	for _, item := range list.Items() {
		if item.Kind() != document.Map {
			item.Problem("must be a map with ask and gives")
			continue
		}
		s.queries = append(s.queries, readQuery(item, every, feeds))
	}
	if list != nil {
		feeds.End("queries")
	}
	for _, e := range n.Field("units").Entries() {
		if code := e.Value.Text(""); code == "" {
			e.Place.Problem("has no unit: write the UCUM code that the device's word stands for")
		} else {
			s.units[e.Key] = code
		}
	}
	actions := n.Field("actions")
	for a, name := range actionNames {
		if f := actions.Field(name); f != nil {
			s.actions[a] = command(f)
		}
	}
	return s
}

func readQuery(n *document.Node, every time.Duration, feeds *sheet.Feeds) query {
	q := query{every: n.Field("every").Duration(every)}
	ask := n.Require("ask", `the question, such as "MEAS:TEMP?"`)
	q.ask = command(ask)
	if ask != nil && q.ask != "" && !strings.Contains(q.ask, "?") {
		ask.Problem("%q is no question: write it with its question mark", q.ask)
	}
	gives := n.Require("gives", "the channels of its values, in their order")
	for _, item := range gives.Several() {
		i := -1
		if item.Text("") != skipped {
			i = feeds.Feed(item)
		}
		q.gives = append(q.gives, i)
	}
	if gives != nil && len(q.gives) == 0 {
		gives.Problem("is empty: name the channels of the answer's values")
	}
	return q
}

// command reads one message to the instrument. What would make it drive something
// is refused: the hub watches.
func command(n *document.Node) string {
	text := strings.TrimSpace(n.Text(""))
	switch {
	case n == nil:
		return ""
	case text == "" && n.Kind() == document.Text:
		n.Problem("is empty")
	case strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r > '~' }):
		n.Problem("%q holds what is no printable ASCII: the end of a message is sent without being written", text)
	}
	for part := range strings.SplitSeq(text, ";") {
		if word := drives(part); word != "" {
			n.Problem("%q sets an output (%s), and the hub watches: it never drives what is measured", text, word)
		}
	}
	return text
}

// drives returns the subsystem of a command that sets an output of the instrument;
// empty for a question and for every other command.
func drives(part string) string {
	part = strings.ToUpper(strings.TrimLeft(strings.TrimSpace(part), ":"))
	if strings.Contains(part, "?") {
		return ""
	}
	first := strings.FieldsFunc(part, func(r rune) bool { return r == ':' || r == ' ' })
	if len(first) == 0 {
		return ""
	}
	word := strings.TrimRight(first[0], "0123456789")
	if slices.Contains([]string{"OUTP", "OUTPUT", "SOUR", "SOURCE"}, word) {
		return word
	}
	return ""
}

var actionNames = map[pb.Action]string{
	pb.Action_ACTION_TARE:    "tare",
	pb.Action_ACTION_ZERO:    "zero",
	pb.Action_ACTION_MEASURE: "measure",
}
