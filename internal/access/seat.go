package access

import (
	"encoding/base32"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// Seat is one assessor's place in one session of a panel. Whoever has the link to it may
// taste there, and can do nothing else, whatever role others have.
type Seat struct {
	Session, Assessor string
}

// name is the client that a seat is in the record: no client of a lab file has a slash.
func (s Seat) name() string { return s.Session + "/" + s.Assessor }

// Seated are the methods that a seat has, and the only ones.
var Seated = map[string]bool{
	pb.PanelService_GetServing_FullMethodName: true,
	pb.PanelService_CastBallot_FullMethodName: true,
}

const (
	// SeatCookie holds the token of a seat in the browser of an assessor.
	SeatCookie = "evenbench-seat"
	// SeatPages is where the pages of assessors are. They are served to everybody, and
	// show nothing without a seat.
	SeatPages = "/board/cup/"
	// seatCalls is where the methods of a seat are as JSON over HTTP.
	seatCalls = "/v1/serving"
)

// PassToken is the token made of 32 bytes that nobody can guess.
func PassToken(pass [32]byte) string {
	return tokenPrefix + base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(pass[:])
}

// Seat lets whoever shows the token of a digest have a seat, until Unseat.
func (g *Guard) Seat(token Digest, s Seat) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.seats[token] = s
}

// Unseat takes all seats of a session away.
func (g *Guard) Unseat(session string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for token, s := range g.seats {
		if s.Session == session {
			delete(g.seats, token)
		}
	}
}

// seated returns the caller that a token gives a seat to. That it is found in a table by its
// hash tells nobody anything: the hash of a token cannot be steered towards another.
func (g *Guard) seated(token string) (Caller, bool) {
	if token == "" || len(token) > longestToken {
		return Caller{}, false
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	s, ok := g.seats[TokenDigest(token)]
	return Caller{Name: s.name(), Seat: s}, ok
}
