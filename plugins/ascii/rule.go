package ascii

import (
	"regexp"
	"slices"
	"strings"

	"github.com/evenbench/evenbench/internal/document"
)

// rule says how one kind of frame, or one part of a ticket, is read.
type rule struct {
	match *regexp.Regexp
	// optional: a ticket may lack it.
	optional bool
	values   []capture
	// all are the captures unit, status and time that belong to every channel of
	// the rule; of the whole ticket, if the rule captures no value.
	all capture
}

// capture says which groups of a match belong to a channel. Groups count from 1;
// 0 is none.
type capture struct {
	channel                   int
	value, unit, status, time int
}

func (s *Sheet) readRules(n, channels *document.Node) {
	fed := make([]bool, len(s.channels))
	for _, item := range n.Items() {
		match := item.Require("match", "a regular expression with named captures, such as '^M (?P<mass>[-+.0-9]+)'")
		r := rule{optional: item.Field("optional").Bool(false)}
		if r.optional && s.ticket == nil {
			item.Field("optional").Problem("only a part of a ticket can be optional: a line that no rule matches is unreadable in any case")
		}
		flags := ""
		if s.ticket != nil {
			flags = "(?m)" // ^ and $ are the ends of each line of the ticket
		}
		if r.match = pattern(match, flags); r.match == nil {
			continue
		}
		s.readCaptures(match, &r)
		s.checkValues(match, &r)
		for _, c := range r.values {
			fed[c.channel] = true
		}
		s.rules = append(s.rules, r)
	}
	// Without a rule that can be read there is nothing to say about the channels.
	if len(s.rules) == 0 || len(s.rules) < len(n.Items()) {
		return
	}
	for i, e := range channels.Entries() {
		if !fed[i] {
			e.Place.Problem("no capture feeds this channel: write (?P<%s>…) in a rule under read, or remove the channel", e.Key)
		}
	}
}

// readCaptures sorts the named groups of a rule: NAME is the value of channel
// NAME; NAME_unit, NAME_status and NAME_time say more of it; unit, status and
// time say it of every channel of the rule.
func (s *Sheet) readCaptures(n *document.Node, r *rule) {
	names := r.match.SubexpNames()
	for group, name := range names {
		if i := s.channel(name); name != "" && i >= 0 {
			r.values = append(r.values, capture{channel: i, value: group})
		}
	}
	for group, name := range names {
		if name == "" || s.channel(name) >= 0 {
			continue
		}
		to, part := &r.all, name
		if i := strings.LastIndexByte(name, '_'); i >= 0 {
			part = name[i+1:]
			to = r.of(s.channel(name[:i]))
		}
		if to == nil || !to.put(part, group) {
			n.Problem("no channel uses the capture %q%s", name, document.Meant(name, s.captureNames()))
		}
	}
	if len(r.values) == 0 && (s.ticket == nil || r.all == capture{}) {
		n.Problem("captures no value: write (?P<NAME>…) with the name of a channel around it")
	}
}

// of returns the rule's capture for a channel; nil if it captures no value of it.
func (r *rule) of(channel int) *capture {
	i := slices.IndexFunc(r.values, func(c capture) bool { return c.channel == channel })
	if i < 0 {
		return nil
	}
	return &r.values[i]
}

func (c *capture) put(part string, group int) bool {
	switch part {
	case "unit":
		c.unit = group
	case "status":
		c.status = group
	case "time":
		c.time = group
	default:
		return false
	}
	return true
}

func (s *Sheet) captureNames() []string {
	names := []string{"unit", "status", "time"}
	for _, c := range s.channels {
		names = append(names, c.Name)
	}
	return names
}
