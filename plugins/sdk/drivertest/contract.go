package drivertest

// must is one MUST of driver.proto.
type must struct{ id, text string }

// contract is every MUST of the contract, in short, in the order of driver.proto.
// A test holds the two together.
var contract = []must{
	{"EB-D-01", "listens before it prints the handshake line"},
	{"EB-D-02", "lives on when standard error has no reader"},
	{"EB-D-03", "closes the device and ends after the hold time without a Session"},
	{"EB-D-04", "prints nothing before the handshake line"},
	{"EB-D-05", "closes the device and ends within 2 s of SIGTERM"},
	{"EB-D-06", "leaves no process and no listener behind"},
	{"EB-D-07", "says so and ends when no hub started it"},
	{"EB-D-08", "listens on a Unix socket or a loopback address"},
	{"EB-D-09", "prints the handshake line within 10 s"},
	{"EB-D-10", "answers Identify within 1 s, whatever the device does"},
	{"EB-D-11", "returns the nonce"},
	{"EB-D-12", "names the version of the contract"},
	{"EB-D-20", "refuses bad settings with INVALID_ARGUMENT, and names them"},
	{"EB-D-21", "opens without the device, says so, and keeps trying"},
	{"EB-D-22", "refuses a second Open, which changes nothing"},
	{"EB-D-23", "says that the device went away, and goes on when it is back"},
	{"EB-D-24", "counts what cannot be read, and goes on"},
	{"EB-D-25", "gives every run a name of its own"},
	{"EB-D-26", "times readings on the clock that Open gave"},
	{"EB-D-30", "numbers readings 1, 2, 3 … without holes and repeats"},
	{"EB-D-31", "resumes with the next reading, or says that it was dropped"},
	{"EB-D-32", "holds readings until they are acknowledged or too many"},
	{"EB-D-33", "ends the first Session when a second one comes"},
	{"EB-D-34", "measures on while nothing is acknowledged"},
	{"EB-D-35", "sends no message of more than 1 MiB"},
	{"EB-D-36", "answers a Resume of another run with NOT_FOUND"},
	{"EB-D-37", "begins every Session with a Status"},
	{"EB-D-38", "sends batches whose columns agree"},
	{"EB-D-39", "keeps the run when a Session or call is cancelled"},
	{"EB-D-60", "lets go of what is acknowledged"},
	{"EB-D-40", "answers what it cannot do with UNIMPLEMENTED"},
	{"EB-D-50", "closes within 5 s"},
	{"EB-D-51", "closes harmlessly when nothing is open"},
	{"EB-D-52", "sends on Close what it holds, and ends the Session"},
	{"EB-D-53", "closes the device on Close"},
}

// IDs returns the ids of the contract's MUSTs, in the order of driver.proto.
func IDs() (ids []string) {
	for _, m := range contract {
		ids = append(ids, m.id)
	}
	return ids
}
