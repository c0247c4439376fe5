package show

import (
	"fmt"
	"strings"

	pb "github.com/evenbench/evenbench/proto/evenbench/v1"
)

// ofSignatures puts what was signed of the record into words.
func (n *Narrator) ofSignatures(e *pb.Entry) (event, bool) {
	switch b := e.GetBody().(type) {
	case *pb.Entry_CheckpointSigned:
		m := b.CheckpointSigned
		return event{place: "hub", what: "signed", text: fmt.Sprintf("entries 1 to %d, by %s", m.GetSize(), KeyName(m.GetKey())) + byWhom(who(e))}, true
	case *pb.Entry_CheckpointCosigned:
		m := b.CheckpointCosigned
		return event{place: "hub", what: "witnessed", text: fmt.Sprintf("entries 1 to %d, by %s", m.GetSize(), KeyName(m.GetKey()))}, true
	}
	return event{}, false
}

// KeyName returns the name in a public key as notes write them, NAME+HASH+KEY.
func KeyName(key string) string {
	name, _, _ := strings.Cut(key, "+")
	return name
}
