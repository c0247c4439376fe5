package supervise

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
)

// checkPin refuses an executable that is another one than the lab file pins. It reads
// the whole file each time: size and time of change are easily made to look the same.
//
// It cannot notice that the file is replaced between this and its start: who may
// write to the folder of a driver may run what he likes, pinned or not.
func (s *Spec) checkPin() error {
	if s.Pin == "" {
		return nil
	}
	f, err := os.Open(s.Argv[0])
	if err != nil {
		return fmt.Errorf("start driver: %w", err)
	}
	defer func() { _ = f.Close() }()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return fmt.Errorf("start driver: read %s: %w", s.Argv[0], err)
	}
	if is := "sha256:" + hex.EncodeToString(h.Sum(nil)); is != s.Pin {
		return &refusal{fmt.Sprintf("%s is %s, and the lab file pins %s: it was not started; if it was replaced on purpose, write its digest into the lab file", s.Argv[0], is, s.Pin)}
	}
	return nil
}
