package follow

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Position is a place in one record: after the entry at Cursor.
//
// A program that stores what it reads can commit {RecordID, entry.Cursor} in the
// same transaction as the rows it made of the entry, and give it as Options.From
// when it starts again: then no entry is ever counted twice, whatever happens.
type Position struct {
	// RecordID names the ledger. Empty: any, taken from the hub on the first
	// connection.
	RecordID string `json:"record_id"`
	// Cursor of the last entry that was consumed; 0 before the first.
	Cursor uint64 `json:"cursor"`
}

// Now returns the position at the end of the record behind conn, for following
// only what is still to come.
func Now(ctx context.Context, conn grpc.ClientConnInterface) (Position, error) {
	info, err := pb.NewRecordServiceClient(conn).GetRecordInfo(ctx, &pb.GetRecordInfoRequest{})
	if err != nil {
		return Position{}, fmt.Errorf("ask how far the record goes: %w", err)
	}
	return Position{RecordID: info.GetRecordId(), Cursor: info.GetLastCursor()}, nil
}

// Store keeps a position across restarts of the program.
type Store interface {
	// Load returns the position that was saved last; ok is false if none was.
	Load(ctx context.Context) (p Position, ok bool, err error)
	// Save keeps p. After an error, or a crash in between, Load returns p or the
	// position before it, never anything else.
	Save(ctx context.Context, p Position) error
}

// saved is what the store is known to hold, and since when.
type saved struct {
	position Position
	at       time.Time
}

// load takes the position from the store, once.
func (f *Follower) load(ctx context.Context) error {
	if f.placed || f.options.Store == nil {
		return nil
	}
	p, ok, err := f.options.Store.Load(ctx)
	if err != nil {
		return fmt.Errorf("load the position: %w", err)
	}
	if ok {
		f.position, f.saved.position = p, p
	}
	f.placed = true
	return nil
}

// save keeps the position if it moved and it is time, or must be now. The last
// save happens even though ctx has ended.
func (f *Follower) save(ctx context.Context, now bool) error {
	every := f.options.SaveEvery
	if every <= 0 {
		every = time.Second
	}
	switch {
	case f.options.Store == nil || f.position == f.saved.position || f.position.RecordID == "":
		return nil
	case !now && time.Since(f.saved.at) < every:
		return nil
	}
	if err := f.options.Store.Save(context.WithoutCancel(ctx), f.position); err != nil {
		return fmt.Errorf("save the position after entry %d: %w", f.position.Cursor, err)
	}
	f.saved = saved{f.position, time.Now()}
	return nil
}
