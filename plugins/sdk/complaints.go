package sdk

import (
	"fmt"
	"time"
)

const (
	// complainEvery is how often the log hears of one thing at most: a device that is
	// wrong is wrong with every message.
	complainEvery = time.Minute
	// mostThings that are told apart; a device may name new ones without end.
	mostThings = 256
)

// Complaints writes to the hub's log why input was not read, and not every time.
// They count nothing: that is what Out.Unreadable is for. For one goroutine.
type Complaints struct {
	out   Out
	about map[string]*complaint
}

type complaint struct {
	said   time.Time
	unsaid int
}

// NewComplaints returns complaints to a log.
func NewComplaints(out Out) *Complaints {
	return &Complaints{out: out, about: map[string]*complaint{}}
}

// Add says why input was not read; about names what it was about, such as a topic.
func (c *Complaints) Add(about, why string) {
	if len(c.about) >= mostThings && c.about[about] == nil {
		about = "" // one for the rest of them
	}
	x := c.about[about]
	if x == nil {
		x = &complaint{}
		c.about[about] = x
	}
	now := time.Now()
	if !x.said.IsZero() && now.Sub(x.said) < complainEvery {
		x.unsaid++
		return
	}
	if x.unsaid > 0 {
		why += fmt.Sprintf(" (and %d more of it since it was last said)", x.unsaid)
	}
	*x = complaint{said: now}
	c.out.Log("warn", "not read: "+why)
}
