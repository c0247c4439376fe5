package supervise

import (
	"slices"
	"strings"
	"testing"
)

// A driver is given the variables that its link names, and no other secret of the
// hub's.
func TestEnvironmentHasOnlyWhatTheLinkNames(t *testing.T) {
	t.Setenv("BROKER_PASSWORD", "brass-kettle")
	t.Setenv("ANOTHER_PASSWORD", "tin-kettle")
	env := environment(&place{dir: "folder"}, "nonce", map[string]any{
		"mqtt": "ANOTHER_PASSWORD", "password_env": "BROKER_PASSWORD", "token_env": "NOT_SET", "number_env": 7.0,
	})
	if !slices.Contains(env, "BROKER_PASSWORD=brass-kettle") {
		t.Errorf("the variable that the link names is missing in %q", env)
	}
	if all := strings.Join(env, " "); strings.Contains(all, "tin-kettle") || strings.Contains(all, "NOT_SET") {
		t.Errorf("more than the link names is in %q", env)
	}
}
