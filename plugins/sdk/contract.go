package sdk

// What a driver process and the hub agree on before they speak. A driver in
// another language needs these and driver.proto.
const (
	// The hub sets this variable to this value. A driver without it was started
	// by hand: it says so and ends.
	CookieVariable = "EVENBENCH_DRIVER"
	CookieValue    = "1f6b0c54-drivers-are-started-by-the-hub"

	// NonceVariable holds what Identify must return.
	NonceVariable = "EVENBENCH_NONCE"

	// ProtocolVersion is the second field of the handshake line
	// "1|1|unix|/path/to/socket|grpc".
	ProtocolVersion = 1

	// Contract is the version of driver.proto.
	Contract = 1

	// MaxMessage is the size in bytes that no message may exceed (EB-D-35).
	MaxMessage = 1 << 20
)
