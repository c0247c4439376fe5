package board

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
)

// screen is the bench as everybody sees it who looks in the same way. It is made of
// parts, each of which is sent to a viewer when it has changed since that viewer was sent
// it last: a slow one misses what was in between, and holds up nobody.
type screen struct {
	look  visitor
	watch *watch
	pages *pages

	mu      sync.Mutex
	version uint64
	seen    uint64    // version of the bench that it shows
	built   time.Time // when it was
	parts   map[string]part
	frames  map[string]*frame
	drums   []string
}

type part struct {
	html    string
	version uint64
}

// parts of the page that are not of one drum.
const (
	partHead     = "head"
	partHands    = "hands"
	partStations = "stations"
)

// update brings the screen up to date; at least once a second, for what is due changes
// with the time alone.
func (s *screen) update() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var views []any
	var names []string
	version, _ := s.watch.look(func(b *bench) {
		if s.watch.version == s.seen && time.Since(s.built) < time.Second {
			return
		}
		names, views = append(names, partHead, partHands, partStations), append(views, b.head(s.look, s.watch), b.handsView(s.look).live(), b.stationsView(s.look))
		s.drums = b.drumNames()
		for i, name := range s.drums {
			l := b.lane(s.look, i, name)
			names, views = append(names, l.ID+"-who", l.ID+"-now", l.ID+"-do"), append(views, l, l.live(), l)
			f := s.frames[name]
			if f == nil {
				f = &frame{}
				s.frames[name] = f
			}
			if f.draw(b, s.look, name) {
				s.set(l.ID+"-plot", string(f.html))
			}
		}
	})
	if views == nil {
		return nil
	}
	s.seen, s.built = version, time.Now()
	for i, name := range names {
		var b bytes.Buffer
		if err := s.pages.part(&b, name, views[i]); err != nil {
			return err
		}
		s.set(name, b.String())
	}
	return nil
}

func (s *screen) set(id, html string) {
	if s.parts[id].html != html {
		s.version++
		s.parts[id] = part{html, s.version}
	}
}

// viewer is how far one viewer is.
type viewer struct {
	screen  *screen
	version uint64
	sent    map[string]int // bytes of each curve's data
	drums   []string       // that its page has lanes for
}

// message is what a viewer is sent: parts that are put in place of the old ones, and what
// is added to curves.
type message struct {
	Lab  int64             `json:"lab"`  // ms, on the lab's clock
	Rate float64           `json:"rate"` // lab seconds per second
	HTML map[string]string `json:"html,omitempty"`
	Path map[string]string `json:"path,omitempty"`
	// Reload says that the lab has other drums now.
	Reload bool `json:"reload,omitempty"`
}

// next returns what is new for the viewer; nil if nothing is.
func (v *viewer) next() *message {
	s := v.screen
	m := &message{HTML: map[string]string{}, Path: map[string]string{}}
	s.watch.look(func(b *bench) { m.Lab, m.Rate = b.now().UnixMilli(), b.rate })
	s.mu.Lock()
	defer s.mu.Unlock()
	fresh := map[string]bool{}
	for id, p := range s.parts {
		if p.version > v.version {
			m.HTML[id], fresh[id] = p.html, true
		}
	}
	for name, f := range s.frames {
		for _, g := range f.growth {
			if fresh[laneID(name)+"-plot"] {
				v.sent[g.id] = g.drawn
			}
			if more := g.data[min(v.sent[g.id], len(g.data)):]; more != "" {
				m.Path[g.id] = more
				v.sent[g.id] = len(g.data)
			}
		}
	}
	v.version = s.version
	if v.drums != nil && !slices.Equal(v.drums, s.drums) {
		m.Reload = true
		return m
	}
	v.drums = s.drums
	if len(m.HTML)+len(m.Path) == 0 {
		return nil
	}
	return m
}

const (
	// leastPause is the least time between two messages to one viewer.
	leastPause = 200 * time.Millisecond
	// heartbeat is how often something is sent all the same, so that a page knows that
	// it is heard.
	heartbeat = 4 * time.Second
	// patience is how long a viewer may take nothing.
	patience = 30 * time.Second
)

// serveLive sends what changes on the bench, as server-sent events, until the viewer
// leaves.
func (b *Board) serveLive(w http.ResponseWriter, r *http.Request) {
	ctx, end, err := b.options.admit(r)
	if err != nil {
		b.refused(w, r, err)
		return
	}
	defer end()
	leave := b.watch.join()
	defer leave()
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	send := func(text string) error {
		_ = out.SetWriteDeadline(time.Now().Add(patience))
		if _, err := w.Write([]byte(text)); err != nil {
			return err
		}
		return out.Flush()
	}
	if send("retry: 1000\n\n") != nil {
		return
	}
	see := &viewer{screen: b.screen(visitorOf(r).look()), sent: map[string]int{}}
	if q := r.URL.Query(); q.Has("drums") {
		// A page that was made before the bench was known has none.
		see.drums = slices.DeleteFunc(strings.Split(q.Get("drums"), ","), func(name string) bool { return name == "" })
	}
	second := time.NewTicker(time.Second)
	defer second.Stop()
	last := time.Now()
	for {
		_, changed := b.watch.look(func(*bench) {})
		if err := see.screen.update(); err != nil {
			b.options.Log.Error("draw the bench", zap.Error(err))
			return
		}
		text := ""
		if m := see.next(); m != nil {
			data, err := json.Marshal(m)
			if err != nil {
				b.options.Log.Error("draw the bench", zap.Error(err))
				return
			}
			text = fmt.Sprintf("data: %s\n\n", data)
		} else if time.Since(last) > heartbeat {
			text = "event: beat\ndata: {}\n\n"
		}
		if text != "" {
			if send(text) != nil {
				return
			}
			last = time.Now()
		}
		pause(ctx, leastPause)
		select {
		case <-ctx.Done():
			return
		case <-b.done:
			return
		case <-changed:
		case <-second.C:
		}
	}
}

// screen returns the screen for a look. There are as many as languages and units make.
func (b *Board) screen(look visitor) *screen {
	b.mu.Lock()
	defer b.mu.Unlock()
	i := slices.IndexFunc(b.screens, func(s *screen) bool { return s.look == look })
	if i >= 0 {
		return b.screens[i]
	}
	s := &screen{look: look, watch: b.watch, pages: b.pages, parts: map[string]part{}, frames: map[string]*frame{}}
	b.screens = append(b.screens, s)
	return s
}
