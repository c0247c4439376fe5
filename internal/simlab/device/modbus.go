package device

import (
	"encoding/binary"
	"io"

	"github.com/evenbench/evenbench/internal/simlab/cable"
)

// Function codes and exceptions of the Modbus Application Protocol V1.1b3.
const (
	readInputRegisters = 0x04

	illegalFunction    = 0x01
	illegalDataAddress = 0x02
	illegalDataValue   = 0x03

	exceptionBit  = 0x80
	mostRegisters = 125
	// headerBytes of Modbus TCP: transaction, protocol, length, unit.
	headerBytes = 7
	mostPDU     = 253
)

// registers are what a Modbus device holds in its input registers, by address. One
// that is not there is an illegal address.
type registers func(address uint16) (value uint16, ok bool)

// modbusTCP returns a Serve that answers the reading of input registers.
func modbusTCP(read registers) cable.Serve {
	return func(conn io.ReadWriter) {
		header := make([]byte, headerBytes)
		for {
			if _, err := io.ReadFull(conn, header); err != nil {
				return
			}
			// The length counts the unit, which has been read, and the request.
			length := int(binary.BigEndian.Uint16(header[4:])) - 1
			if binary.BigEndian.Uint16(header[2:]) != 0 || length < 1 || length > mostPDU {
				return // not Modbus
			}
			request := make([]byte, length)
			if _, err := io.ReadFull(conn, request); err != nil {
				return
			}
			answer := answerRead(request, read)
			frame := append([]byte(nil), header...)
			binary.BigEndian.PutUint16(frame[4:], uint16(len(answer)+1))
			conn.Write(append(frame, answer...))
		}
	}
}

// answerRead answers one request.
func answerRead(request []byte, read registers) []byte {
	function := request[0]
	refuse := func(exception byte) []byte { return []byte{function | exceptionBit, exception} }
	if function != readInputRegisters {
		return refuse(illegalFunction)
	}
	if len(request) != 5 {
		return refuse(illegalDataValue)
	}
	first, count := binary.BigEndian.Uint16(request[1:]), int(binary.BigEndian.Uint16(request[3:]))
	if count < 1 || count > mostRegisters {
		return refuse(illegalDataValue)
	}
	answer := []byte{function, byte(2 * count)}
	for i := range count {
		value, ok := read(first + uint16(i))
		if !ok || int(first)+i > 0xFFFF {
			return refuse(illegalDataAddress)
		}
		answer = binary.BigEndian.AppendUint16(answer, value)
	}
	return answer
}
