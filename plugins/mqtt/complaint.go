package mqtt

import (
	"fmt"
	"time"

	"github.com/evenbench/evenbench/plugins/sdk"
)

// complainEvery is how often the log hears of one topic at most: a device that is
// wrong is wrong with every message, and all of them are counted.
const complainEvery = time.Minute

// complaints says why messages were not read, not for every one of them.
type complaints struct {
	out   sdk.Out
	about map[string]*complaint
}

type complaint struct {
	said   time.Time
	unsaid int
}

func newComplaints(out sdk.Out) complaints {
	return complaints{out: out, about: map[string]*complaint{}}
}

func (c complaints) add(topic, why string) {
	about := c.about[topic]
	if about == nil {
		about = &complaint{}
		c.about[topic] = about
	}
	now := time.Now()
	if !about.said.IsZero() && now.Sub(about.said) < complainEvery {
		about.unsaid++
		return
	}
	if about.unsaid > 0 {
		why += fmt.Sprintf(" (and %d more on this topic since it was last said)", about.unsaid)
	}
	*about = complaint{said: now}
	c.out.Log("warn", "not read: "+why)
}
