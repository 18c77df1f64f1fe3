package rtcm

import (
	"encoding/binary"
	"math/bits"
)

// crcPoly is the CRC-24Q generator without its leading term; initial value 0,
// no reflection, no final inversion.
const crcPoly = 0x864CFB

// crcTable holds the tables for sixteen bytes a step: crcTable[k][b] is the
// CRC of byte b followed by k zero bytes, kept in the upper 24 of 32 bits so
// that the register lines up with the next four bytes of a big-endian load.
var crcTable = makeCRCTable()

func makeCRCTable() *[16][256]uint32 {
	var t [16][256]uint32
	for b := range t[0] {
		r := uint32(b) << 24
		for range 8 {
			carry := r >> 31
			r <<= 1
			if carry != 0 {
				r ^= crcPoly << 8
			}
		}
		t[0][b] = r
	}
	for k := 1; k < len(t); k++ {
		for b := range t[k] {
			r := t[k-1][b]
			t[k][b] = r<<8 ^ t[0][r>>24]
		}
	}
	return &t
}

// CRC24Q returns the CRC-24Q of b (0 to 0xFFFFFF). Over a whole valid frame,
// its own three CRC bytes included, it is zero.
func CRC24Q(b []byte) uint32 {
	t := crcTable
	var r uint32 // in the upper 24 bits
	for len(b) >= 16 {
		u := binary.BigEndian.Uint64(b) ^ uint64(r)<<32
		v := binary.BigEndian.Uint64(b[8:])
		r = t[15][u>>56] ^ t[14][u>>48&255] ^ t[13][u>>40&255] ^ t[12][u>>32&255] ^
			t[11][u>>24&255] ^ t[10][u>>16&255] ^ t[9][u>>8&255] ^ t[8][u&255] ^
			t[7][v>>56] ^ t[6][v>>48&255] ^ t[5][v>>40&255] ^ t[4][v>>32&255] ^
			t[3][v>>24&255] ^ t[2][v>>16&255] ^ t[1][v>>8&255] ^ t[0][v&255]
		b = b[16:]
	}
	for _, c := range b {
		r = r<<8 ^ t[0][byte(r>>24)^c]
	}
	return r >> 8
}

// bitField returns n bits (at most 57) of b from bit position pos, most
// significant first; the caller has checked that they are there.
func bitField(b []byte, pos, n int) uint64 {
	i := pos >> 3
	if i+8 <= len(b) {
		return binary.BigEndian.Uint64(b[i:]) << (pos & 7) >> (64 - n)
	}
	var u uint64
	for k := range 8 {
		u <<= 8
		if i+k < len(b) {
			u |= uint64(b[i+k])
		}
	}
	return u << (pos & 7) >> (64 - n)
}

// signedField is bitField for a two's complement number.
func signedField(b []byte, pos, n int) int64 {
	return int64(bitField(b, pos, n)<<(64-n)) >> (64 - n)
}

// countBits returns how many of the n bits of b from pos on are set; the
// caller has checked that they are there.
func countBits(b []byte, pos, n int) int {
	c := 0
	for n > 0 {
		k := min(n, 57)
		c += bits.OnesCount64(bitField(b, pos, k))
		pos += k
		n -= k
	}
	return c
}
