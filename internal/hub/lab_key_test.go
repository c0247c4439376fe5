package hub

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
)

// The lab's key is made once, for its owner alone, and no log tells it.
func TestLabKeyIsMadeOnceAndKept(t *testing.T) {
	core, logged := observer.New(zap.DebugLevel)
	data := t.TempDir()
	made, err := labKey(data, "Cerro Azul", zap.New(core))
	if err != nil {
		t.Fatal(err)
	}
	again, err := labKey(data, "another name", zap.New(core))
	if err != nil || again.Public != made.Public || again.Name() != "Cerro-Azul" {
		t.Errorf("%v, %v; made %v", again.Public, err, made.Public)
	}
	path := filepath.Join(data, "lab.key")
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info, err)
	}
	secret := strings.Split(made.Private, "+")[4]
	for _, entry := range logged.All() {
		for key, value := range entry.ContextMap() {
			if text, ok := value.(string); ok && strings.Contains(text, secret) {
				t.Errorf("the log tells the key as %s", key)
			}
		}
	}
	if err := os.Chmod(path, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := labKey(data, "", zap.NewNop()); err == nil || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("a key that others can read: %v", err)
	}
	if err := os.WriteFile(path, []byte("PRIVATE+KEY+lab+0+AAAA\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := labKey(data, "", zap.NewNop()); err == nil || !strings.Contains(err.Error(), "put the file back") || strings.Contains(err.Error(), "AAAA") {
		t.Errorf("a key that is none: %v", err)
	}
}
