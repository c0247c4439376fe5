package follow

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
)

// Credentials are the files by which a client and a hub that asks for credentials
// know each other. The zero value is a plain connection, for a hub on loopback.
//
// The files of the certificate, the key and the token are read again for each
// connection or call: what is renewed in place is used without a restart.
type Credentials struct {
	// CA is the file of the lab's authority, in PEM: without it the connection is
	// plain, and nothing else may be set.
	CA string
	// Certificate and Key are the client's, in PEM; both or none.
	Certificate, Key string
	// TokenFile holds the client's token. Token is one that does not come from a
	// file, such as from the environment. At most one is set.
	TokenFile, Token string
}

// CredentialsFrom reads credentials from the environment: EVENBENCH_CA,
// EVENBENCH_CERTIFICATE, EVENBENCH_KEY and EVENBENCH_TOKEN_FILE name files,
// EVENBENCH_TOKEN is a token.
func CredentialsFrom(getenv func(string) string) Credentials {
	return Credentials{
		CA: getenv("EVENBENCH_CA"), Certificate: getenv("EVENBENCH_CERTIFICATE"), Key: getenv("EVENBENCH_KEY"),
		TokenFile: getenv("EVENBENCH_TOKEN_FILE"), Token: getenv("EVENBENCH_TOKEN"),
	}
}

// DialOptions returns what makes Dial use the credentials. It reads every file once,
// and says what is wrong with one.
func (c Credentials) DialOptions() ([]grpc.DialOption, error) {
	switch {
	case c == Credentials{}:
		return nil, nil
	case c.CA == "":
		return nil, errors.New("use credentials: the file of the lab's authority (ca.crt) is not given, and without it they might be shown to anybody: set EVENBENCH_CA")
	case (c.Certificate == "") != (c.Key == ""):
		return nil, errors.New("use credentials: a certificate needs its key, and a key its certificate: set EVENBENCH_CERTIFICATE and EVENBENCH_KEY")
	case c.Token != "" && c.TokenFile != "":
		return nil, errors.New("use credentials: a token and a file of one are given: set one of EVENBENCH_TOKEN and EVENBENCH_TOKEN_FILE")
	}
	text, err := os.ReadFile(c.CA)
	if err != nil {
		return nil, fmt.Errorf("read the lab's authority: %w", err)
	}
	config := &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: x509.NewCertPool()}
	if !config.RootCAs.AppendCertsFromPEM(text) {
		return nil, fmt.Errorf("read the lab's authority: %s holds no certificate in PEM: it should be the ca.crt of the lab", c.CA)
	}
	if c.Certificate != "" {
		if _, err := c.pair(nil); err != nil {
			return nil, err
		}
		config.GetClientCertificate = c.pair
	}
	options := []grpc.DialOption{grpc.WithTransportCredentials(credentials.NewTLS(config))}
	if c.Token != "" || c.TokenFile != "" {
		if _, err := c.token(); err != nil {
			return nil, err
		}
		options = append(options, grpc.WithPerRPCCredentials(bearer{c}))
	}
	return options, nil
}

func (c Credentials) pair(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(c.Certificate, c.Key)
	if err != nil {
		return nil, fmt.Errorf("use certificate %s with key %s: %w", c.Certificate, c.Key, err)
	}
	return &pair, nil
}

func (c Credentials) token() (string, error) {
	if c.TokenFile == "" {
		return c.Token, nil
	}
	text, err := os.ReadFile(c.TokenFile)
	if err != nil {
		return "", fmt.Errorf("read the token: %w", err)
	}
	token := strings.TrimSpace(string(text))
	if token == "" || strings.ContainsAny(token, " \t\r\n") {
		return "", fmt.Errorf("read the token: %s must hold the token alone, on one line", c.TokenFile)
	}
	return token, nil
}

// bearer sends the token with every call, over TLS only.
type bearer struct{ Credentials }

func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	token, err := b.token()
	if err != nil {
		return nil, err
	}
	return map[string]string{"authorization": "Bearer " + token}, nil
}

func (bearer) RequireTransportSecurity() bool { return true }
