package book

import (
	"fmt"
	"slices"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// study is a study of drums as far as it is.
type study struct {
	planned *pb.Entry
	charges []charge // in the order of the plan
	// It was ended before all was done, and why.
	ended  bool
	reason string
}

// charge is one roast of a study.
type charge struct {
	queued, left bool
	roast        string
}

func (st *study) plan() *pb.MatchingPlanned { return st.planned.GetMatchingPlanned() }

// current returns the index of the first charge that has not been roasted or left out; -1
// if there is none, or if the study was ended.
func (st *study) current() int {
	if st.ended {
		return -1
	}
	return slices.IndexFunc(st.charges, func(c charge) bool { return !c.left && c.roast == "" })
}

func (b *Book) matchingPlanned(e *pb.Entry, m *pb.MatchingPlanned) {
	b.studies = append(b.studies, &study{planned: e, charges: make([]charge, len(m.GetCharges()))})
	b.queueStudies()
}

func (b *Book) matchingEnded(m *pb.MatchingEnded) {
	st := b.study(m.GetStudy())
	if st == nil || st.ended {
		return
	}
	i := st.current()
	st.ended, st.reason = true, m.GetReason()
	if i >= 0 && st.charges[i].queued {
		c := st.plan().GetCharges()[i]
		b.follow(&pb.Entry{Body: &pb.Entry_SampleUnqueued{SampleUnqueued: &pb.SampleUnqueued{
			Station: c.GetDrum(), Sample: c.GetSample(), Reason: "study " + m.GetStudy() + " was ended",
		}}})
	}
}

// study returns a study by its name; nil if there is none.
func (b *Book) study(name string) *study {
	i := slices.IndexFunc(b.studies, func(st *study) bool { return st.plan().GetStudy() == name })
	if i < 0 {
		return nil
	}
	return b.studies[i]
}

// queueStudies drafts, for each study whose next charge does not wait yet, that it is
// queued, once its sample is free. It is called where a charge may have become the next:
// not while what follows from that is still to be recorded.
func (b *Book) queueStudies() {
	for _, st := range b.studies {
		i := st.current()
		if i < 0 || st.charges[i].queued {
			continue
		}
		c := st.plan().GetCharges()[i]
		s := b.samples[c.GetSample()]
		if s == nil || s.record.GetQueuedFor() != "" || s.inDrum() {
			continue
		}
		position := uint32(b.QueueLength(c.GetDrum()) + 1)
		b.follow(&pb.Entry{Body: &pb.Entry_SampleQueued{SampleQueued: &pb.SampleQueued{Station: c.GetDrum(), Sample: c.GetSample(), Position: position}}})
	}
}

// inDrum tells whether the sample is being roasted.
func (s *sample) inDrum() bool {
	return slices.ContainsFunc(s.roasts, func(x *oneRoast) bool { return x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING })
}

// each calls f with the next charge of every study that is of a sample in a drum.
func (b *Book) each(sample, drum string, f func(*charge)) {
	for _, st := range b.studies {
		if i := st.current(); i >= 0 {
			if c := st.plan().GetCharges()[i]; c.GetSample() == sample && c.GetDrum() == drum {
				f(&st.charges[i])
			}
		}
	}
}

// studyQueued notes that a charge waits for its drum.
func (b *Book) studyQueued(m *pb.SampleQueued) {
	b.each(m.GetSample(), m.GetStation(), func(c *charge) { c.queued = true })
}

// studyUnqueued notes that a person took a charge out of its queue: it is left out, and
// the study goes on with the next.
func (b *Book) studyUnqueued(m *pb.SampleUnqueued) {
	b.each(m.GetSample(), m.GetStation(), func(c *charge) { c.left = c.queued })
	b.queueStudies()
}

// studyCharged notes that a charge has become a roast.
func (b *Book) studyCharged(m *pb.RoastOpened) {
	if b.roasts[m.GetRoast()] == nil {
		return
	}
	b.each(m.GetSample(), m.GetStation(), func(c *charge) { c.roast = m.GetRoast() })
	b.queueStudies()
}

// studyClosed notes the end of a roast. One that was given up is made again.
func (b *Book) studyClosed(m *pb.RoastClosed) {
	for _, st := range b.studies {
		for i := range st.charges {
			if c := &st.charges[i]; c.roast == m.GetRoast() && m.GetAborted() != "" {
				*c = charge{}
			}
		}
	}
	b.queueStudies()
}

// FreeStudy returns a name that no study has.
func (b *Book) FreeStudy() string { return fmt.Sprintf("M-%04d", len(b.studies)+1) }

// Studies returns the studies of drums as far as they are, oldest first.
func (b *Book) Studies() []*pb.MatchingStatus {
	var list []*pb.MatchingStatus
	for _, st := range b.studies {
		list = append(list, b.status(st))
	}
	return list
}

// Study returns a study of drums; false if there is none of the name.
func (b *Book) Study(name string) (*pb.MatchingStatus, bool) {
	if st := b.study(name); st != nil {
		return b.status(st), true
	}
	return nil, false
}

func (b *Book) status(st *study) *pb.MatchingStatus {
	out := &pb.MatchingStatus{
		Plan: st.plan(), PlannedAt: st.planned.GetRecordedAt(), Actor: st.planned.GetActor(), Person: st.planned.GetPerson(),
		Ended: st.current() < 0, EndedReason: st.reason,
	}
	for _, c := range st.charges {
		s := &pb.ChargeStatus{State: pb.ChargeState_CHARGE_STATE_PLANNED, Roast: c.roast}
		switch x := b.roasts[c.roast]; {
		case c.left:
			s.State = pb.ChargeState_CHARGE_STATE_LEFT_OUT
		case x != nil && x.pb.GetState() == pb.RoastState_ROAST_STATE_ROASTING:
			s.State, out.Ended = pb.ChargeState_CHARGE_STATE_ROASTING, false
		case x != nil:
			s.State = pb.ChargeState_CHARGE_STATE_DONE
		case c.queued:
			s.State = pb.ChargeState_CHARGE_STATE_QUEUED
		}
		out.Charges = append(out.Charges, s)
	}
	return out
}

// Studying returns the study that still needs a sample; "" if none does.
func (b *Book) Studying(sample string) string {
	for _, st := range b.studies {
		if st.current() >= 0 && slices.Contains(st.plan().GetSamples(), sample) {
			return st.plan().GetStudy()
		}
	}
	return ""
}
