package hub

import (
	"errors"
	"fmt"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/evenbench/evenbench/internal/ledger"
	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// partCentre is the copy of the record at a centre, where the lab has one. The record is
// well without it.
const partCentre = "centre"

// wellParts are the parts of a hub, each well until something is found.
func wellParts(centre bool) map[string]bool {
	parts := map[string]bool{partRecord: true, partDisk: true}
	if centre {
		parts[partCentre] = true
	}
	return parts
}

// following says how far each subscriber is, and the copy at the centre first.
func (u *upkeep) following(last uint64) []*pb.SubscriberStatus {
	list := u.subscribers.status(last)
	if up := u.uplink.Load(); up != nil {
		s := up.State()
		list = append([]*pb.SubscriberStatus{{
			Name: partCentre, Address: s.Address, Cursor: s.Cursor, Behind: s.Behind, Since: timestamppb.New(u.started),
		}}, list...)
	}
	return list
}

// centreConcern says why the copy at the centre does not follow; empty if it does.
func (u *upkeep) centreConcern() string {
	up := u.uplink.Load()
	if up == nil {
		return ""
	}
	s := up.State()
	if s.Err == nil {
		return ""
	}
	if forked := new(ledger.ForkedError); errors.As(s.Err, &forked) {
		return fmt.Sprintf("the record is not copied: %v", forked)
	}
	until := "how far the copy is, is not known"
	if s.Known {
		until = fmt.Sprintf("the copy ends with entry %d, %d behind", s.Cursor, s.Behind)
	}
	return fmt.Sprintf("the record is not copied: %v; %s; the record itself goes on, and the copy catches up by itself", s.Err, until)
}
