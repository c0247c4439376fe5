// Package access says who may call what: roles, the credentials that carry them,
// and the guard that stands before every call.
package access

import (
	"fmt"
	"slices"
)

// Role is what a caller may do. Each includes those before it.
type Role int

const (
	// Nobody has shown no credential.
	Nobody Role = iota
	// Observer subscribes and reads.
	Observer
	// Operator also writes what is done at the bench: registers, places, marks,
	// assigns.
	Operator
	// Steward also looks after the instruments and the lab file, and corrects.
	Steward
)

var roleNames = []string{"nobody", "observer", "operator", "steward"}

// RoleNames are the roles that a client can have, the least first.
func RoleNames() []string { return slices.Clone(roleNames[Observer:]) }

func (r Role) String() string {
	if r < 0 || int(r) >= len(roleNames) {
		return fmt.Sprintf("role %d", int(r))
	}
	return roleNames[r]
}

// ParseRole reads the name of a role that a client can have.
func ParseRole(name string) (Role, bool) {
	i := slices.Index(roleNames, name)
	return Role(max(i, 0)), i > 0
}
