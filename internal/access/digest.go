package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"fmt"
	"strings"
)

// Digest is a SHA-256. The zero Digest stands for none.
type Digest [sha256.Size]byte

// digestPrefix names the algorithm wherever a digest is written.
const digestPrefix = "sha256:"

func (d Digest) String() string { return digestPrefix + hex.EncodeToString(d[:]) }

// ParseDigest reads "sha256:" and 64 hexadecimal digits.
func ParseDigest(text string) (d Digest, err error) {
	digits, ok := strings.CutPrefix(text, digestPrefix)
	b, hexErr := hex.DecodeString(digits)
	if !ok || hexErr != nil || len(b) != len(d) {
		return d, fmt.Errorf("is no digest: write %s and 64 hexadecimal digits", digestPrefix)
	}
	return Digest(b), nil
}

// NewToken returns a token that nobody can guess: 260 random bits or so.
func NewToken() string { return tokenPrefix + rand.Text() + rand.Text() }

// tokenPrefix lets a token be recognized where it does not belong: in a log, a mail,
// a repository.
const tokenPrefix = "evenbench-"

// longestToken is more than NewToken makes; a longer text is not looked at.
const longestToken = 256

// TokenDigest is what a hub keeps of a token. A plain hash is enough: a token that
// NewToken made has more bits than anybody can try, unlike a password.
func TokenDigest(token string) Digest { return sha256.Sum256([]byte(token)) }

// KeyDigest is the digest of a certificate's public key. A certificate that is renewed
// with its key keeps it.
func KeyDigest(c *x509.Certificate) Digest { return sha256.Sum256(c.RawSubjectPublicKeyInfo) }
