// Package metrics shows the hub to Prometheus.
//
// Every label has few values: kinds of entry and reasons of gaps are the contract's,
// instruments those of the lab file, subscribers at most as many as Source gives.
// Counters of what is in the record go on after a restart of the hub; the others
// begin anew.
package metrics

import (
	"net/http"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"github.com/evenbench/evenbench/internal/space"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Reading is the hub at one moment.
type Reading struct {
	Version string
	// Entries in the record, by the name of their field in pb.Entry.
	Entries    map[string]uint64
	LastCursor uint64
	Space      space.Forecast
	// Well says of each part, but for instruments, whether it is.
	Well map[string]bool
	// Lag of each subscriber in entries, by name: of several of one name that of
	// the furthest behind.
	Lag         map[string]uint64
	Subscribers int
	Instruments []Instrument
}

// Instrument is one instrument of the lab file.
type Instrument struct {
	Status *pb.InstrumentStatus
	// In the record.
	Readings, Unassigned uint64
	// Measurements in the record that are nobody's now.
	UnassignedMeasurements int
	Gaps                   map[pb.GapReason]uint64
}

// Source reads the hub. It must not wait for the record: a hub that hangs is just
// what somebody wants to see.
type Source func() Reading

// Metrics is the hub's page for Prometheus.
type Metrics struct {
	registry *prometheus.Registry
	commit   prometheus.Histogram
}

// New returns a page that reads source whenever it is asked for.
func New(source Source) *Metrics {
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		commit: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "evenbench_record_commit_duration_seconds",
			Help: "Time that a group of entries took to be on disk, synced.",
			// From an NVMe disk with a cache that outlives a loss of power to one
			// that wakes up; a commit may take 10 s before the hub gives up.
			Buckets: []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10},
		}),
	}
	m.registry.MustRegister(m.commit, &collector{source}, collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Commit says how long a group of entries took to be on disk. It does not block.
func (m *Metrics) Commit(took time.Duration) { m.commit.Observe(took.Seconds()) }

// Registry is what the page shows.
func (m *Metrics) Registry() *prometheus.Registry { return m.registry }

// Handler serves the page.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{EnableOpenMetrics: true})
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("evenbench_"+name, help, labels, nil)
}

var (
	build       = desc("build_info", "1, with the version of the hub.", "version")
	entries     = desc("record_entries_total", "Entries in the record, by what they say.", "kind")
	lastCursor  = desc("record_last_cursor", "Cursor of the last entry that is on disk.")
	size        = desc("record_size_bytes", "Room that the record takes on the disk, or on the servers that keep it.")
	growth      = desc("record_growth_bytes", "Growth of the record on the disk in the busiest of the last seven days; absent until the record is a day old.")
	free        = desc("disk_free_bytes", "Room on the disk of the data folder that the hub may still fill.")
	total       = desc("disk_size_bytes", "Size of the disk of the data folder.")
	untilFull   = desc("disk_full_seconds", "Time until the disk is full if the record grows as on the busiest of the last seven days; +Inf if it does not grow, absent until it is a day old, and where other servers keep it.")
	well        = desc("well", "1 if a part of the hub is well, 0 if it needs a person.", "part")
	subscribers = desc("subscribers", "Subscribers that follow the record now.")
	lag         = desc("subscriber_lag_entries", "Entries on disk that a subscriber has not been sent yet; of several of one name, of the one furthest behind.", "subscriber")
	readings    = desc("readings_total", "Readings in the record.", "instrument")
	unassigned  = desc("readings_unassigned_total", "Readings in the record that were recorded with no sample on the station.", "instrument")
	nobodys     = desc("measurements_unassigned", "Measurements in the record that belong to no sample now: to be assigned by a person.", "instrument")
	gaps        = desc("gaps_total", "Gaps in the record: stretches of missing readings, by why.", "instrument", "reason")
	state       = desc("instrument_state", "1 for the state that the instrument is in, 0 for the others.", "instrument", "state")
	lastReading = desc("instrument_last_reading_timestamp_seconds", "When the last reading was taken, on the lab's clock; absent until there is one.", "instrument")
	restarts    = desc("instrument_restarts_total", "Restarts of the instrument's driver since the hub started.", "instrument")
	unreadable  = desc("instrument_unreadable_total", "What the device sent and its sheet cannot read, since the driver started.", "instrument")
)

// collector reads the hub for one scrape.
type collector struct{ source Source }

// Describe describes every metric that Collect may send.
func (c *collector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{build, entries, lastCursor, size, growth, free, total, untilFull, well, subscribers, lag,
		readings, unassigned, nobodys, gaps, state, lastReading, restarts, unreadable} {
		out <- d
	}
}

// Collect reads the hub.
func (c *collector) Collect(out chan<- prometheus.Metric) {
	r := c.source()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	count := func(d *prometheus.Desc, v uint64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	gauge(build, 1, r.Version)
	for kind, n := range r.Entries {
		count(entries, n, kind)
	}
	gauge(lastCursor, float64(r.LastCursor))
	gauge(size, float64(r.Space.Record))
	gauge(free, float64(r.Space.Disk.Free))
	gauge(total, float64(r.Space.Disk.Total))
	if r.Space.Known {
		gauge(growth, r.Space.PerDay)
	}
	if r.Space.Known && !r.Space.Elsewhere {
		gauge(untilFull, r.Space.Days*(24*time.Hour).Seconds())
	}
	for part, ok := range r.Well {
		gauge(well, truth(ok), part)
	}
	gauge(subscribers, float64(r.Subscribers))
	for name, behind := range r.Lag {
		gauge(lag, float64(behind), name)
	}
	for _, in := range r.Instruments {
		name := in.Status.GetInstrument()
		count(readings, in.Readings, name)
		count(unassigned, in.Unassigned, name)
		gauge(nobodys, float64(in.UnassignedMeasurements), name)
		for _, reason := range values(pb.GapReason_name) {
			count(gaps, in.Gaps[pb.GapReason(reason)], name, word(pb.GapReason(reason).String(), "GAP_REASON_"))
		}
		for _, s := range values(pb.InstrumentState_name) {
			gauge(state, truth(in.Status.GetState() == pb.InstrumentState(s)), name, word(pb.InstrumentState(s).String(), "INSTRUMENT_STATE_"))
		}
		if at := in.Status.GetLastReadingAt(); at != nil {
			gauge(lastReading, float64(at.AsTime().UnixMicro())/1e6, name)
		}
		count(restarts, in.Status.GetRestarts(), name)
		count(unreadable, in.Status.GetUnreadable(), name)
	}
}

// values returns the numbers of an enumeration, without the unspecified one.
func values(names map[int32]string) []int32 {
	var list []int32
	for n := range names {
		if n != 0 {
			list = append(list, n)
		}
	}
	return list
}

func word(name, prefix string) string { return strings.ToLower(strings.TrimPrefix(name, prefix)) }

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
