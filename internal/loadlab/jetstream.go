package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

func jetstreamWay() way {
	return way{
		name:  "JetStream alone",
		about: "the limit of the disk: the same server, in one process, is given the bytes that the hub stored, what waits at once as one atomic batch, and up to 16 entries one by one, which is faster; it syncs by itself (sync_interval: always), and nobody reads; an entry is due with its last reading",
		most:  hubWay().most,
		open: func(_ context.Context, p place, l load) (keeper, error) {
			return &jetstreamKeeper{place: p, load: l}, nil
		},
	}
}

// jetstreamKeeper is a single process: it puts, and sees when it is on disk.
type jetstreamKeeper struct {
	place
	load    load
	process *child
}

func (k *jetstreamKeeper) Subscribe(ctx context.Context, t task) (_ *child, err error) {
	t.Dir, t.File, t.Gate, t.Load = filepath.Join(k.dir, "store"), k.bench.kept[k.load.Name], k.gate(), k.load
	k.process, err = k.bench.role(ctx, "jetstream", t)
	return k.process, err
}

func (k *jetstreamKeeper) Size(context.Context) (int64, error) {
	return bytesIn(filepath.Join(k.dir, "store"))
}

func (k *jetstreamKeeper) Memory() (int64, error) { return memoryOf(k.process.pid()) }

func (k *jetstreamKeeper) Stop() error { return k.process.stop() }

const (
	// Where an atomic batch, which is staged in files of its own, costs less than as many
	// synced messages.
	soloEntries = 16
	// What one commit of the ledger carries at most, and what waits for it.
	groupEntries = 1000
	groupBytes   = 2 << 20
	queueEntries = 8192
)

// publishEntries is the process.
func publishEntries(ctx context.Context, t task) error {
	s, err := server.NewServer(&server.Options{
		DontListen: true, NoSigs: true, NoLog: true, NoSystemAccount: true, DisableShortFirstPing: true,
		JetStream: true, StoreDir: t.Dir, SyncAlways: true, MaxPayload: 8 << 20,
		JetStreamMaxStore: 1 << 60, JetStreamMaxMemory: 1 << 20,
	})
	if err != nil {
		return err
	}
	s.Start()
	defer s.WaitForShutdown()
	defer s.Shutdown()
	if !s.ReadyForConnections(time.Minute) {
		return errors.New("the server does not become ready")
	}
	conn, err := nats.Connect("", nats.InProcessServer(s))
	if err != nil {
		return err
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		return err
	}
	if _, err := js.CreateStream(ctx, jetstream.StreamConfig{
		Name: "record", Subjects: []string{"record.>"}, Storage: jetstream.FileStorage,
		AllowDirect: true, AllowAtomicPublish: true, Compression: jetstream.S2Compression,
		DenyDelete: true, DenyPurge: true, Discard: jetstream.DiscardNew,
	}); err != nil {
		return err
	}
	p := publisher{conn: conn, inbox: conn.NewInbox(), replies: make(chan *nats.Msg, soloEntries)}
	if _, err := conn.ChanSubscribe(p.inbox, p.replies); err != nil {
		return err
	}
	if err := sayReady(); err != nil {
		return err
	}
	l := newTally(t.Until)
	err = report(ctx, t, l, func(ctx context.Context) error {
		if err := awaitGate(ctx, t.Gate); err != nil {
			return err
		}
		return p.publish(ctx, t, l)
	})
	if err == nil {
		// It is looked at before it ends.
		<-ctx.Done()
	}
	return err
}

// dueEntry is an entry and when it was due.
type dueEntry struct {
	keptEntry
	due time.Time
}

// replay calls out with the kept entries when they are due at a rate, or as fast as
// out takes them.
func replay(ctx context.Context, path string, perSecond float64, out func(dueEntry) error) error {
	kept, err := openKept(path)
	if err != nil {
		return err
	}
	defer kept.Close()
	begin, sent := time.Now(), 0
	for {
		e, err := kept.next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		sent += e.readings
		due := time.Now()
		if perSecond > 0 {
			due = begin.Add(time.Duration(float64(sent) / perSecond * float64(time.Second)))
			if err := sleepUntil(ctx, due); err != nil {
				return err
			}
		}
		if err := out(dueEntry{e, due}); err != nil {
			return err
		}
	}
}

// publisher stores groups, one at a time.
type publisher struct {
	conn    *nats.Conn
	inbox   string
	replies chan *nats.Msg
	cursor  int
}

// publish replays what was kept; what waits while a group is stored is the next.
func (p *publisher) publish(ctx context.Context, t task, l *tally) error {
	queue := make(chan dueEntry, queueEntries)
	var failed error
	var all sync.WaitGroup
	all.Go(func() {
		defer close(queue)
		failed = replay(ctx, t.File, t.Load.PerSecond, func(e dueEntry) error {
			select {
			case queue <- e:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	})
	defer all.Wait()
	for first := range queue {
		group := gather(first, queue)
		if err := p.store(ctx, group); err != nil {
			return err
		}
		now := time.Now()
		for _, e := range group {
			l.addMany(e.readings, e.due, now)
		}
	}
	all.Wait()
	return failed
}

// gather takes what waits behind the first entry, as much as one commit carries.
func gather(first dueEntry, queue <-chan dueEntry) []dueEntry {
	group, size := []dueEntry{first}, len(first.bytes)
	for len(group) < groupEntries && size < groupBytes {
		select {
		case e, ok := <-queue:
			if !ok {
				return group
			}
			group, size = append(group, e), size+len(e.bytes)
		default:
			return group
		}
	}
	return group
}

func (p *publisher) store(ctx context.Context, group []dueEntry) error {
	solo := len(group) <= soloEntries
	answers := 1
	if solo {
		answers = len(group)
	}
	id := strconv.Itoa(p.cursor + 1)
	for i, e := range group {
		m := &nats.Msg{Subject: "record.readings", Header: nats.Header{}, Data: e.bytes}
		if solo || i == 0 {
			m.Header["Nats-Expected-Last-Sequence"] = []string{strconv.Itoa(p.cursor + i)}
		}
		if !solo {
			m.Header["Nats-Batch-Id"] = []string{id}
			m.Header["Nats-Batch-Sequence"] = []string{strconv.Itoa(i + 1)}
		}
		if !solo && i == len(group)-1 {
			m.Header["Nats-Batch-Commit"] = []string{"1"}
		}
		if solo || i == len(group)-1 {
			m.Reply = p.inbox
		}
		if err := p.conn.PublishMsg(m); err != nil {
			return err
		}
	}
	p.cursor += len(group)
	for range answers {
		if err := p.answer(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (p *publisher) answer(ctx context.Context) error {
	select {
	case m := <-p.replies:
		var ack struct {
			Seq   uint64 `json:"seq"`
			Error any    `json:"error"`
		}
		if err := json.Unmarshal(m.Data, &ack); err != nil || ack.Error != nil || ack.Seq == 0 {
			return fmt.Errorf("store a group: the server answered %q", m.Data)
		}
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
