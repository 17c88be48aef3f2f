package sitefile

import "time"

// TextMap is what a map with protocol "text" says beside its channels.
type TextMap struct {
	// Listen: the controller prints by itself and nothing is ever sent to it.
	Listen bool
	Format TextFormat  // of the prints
	Prints []TextPrint // with Listen
	Asks   []TextAsk   // without
}

// TextFormat says how one text is cut out of what comes. Without Ends and
// Quiet a line ending of any kind ends it.
type TextFormat struct {
	Begins   []byte
	Ends     []byte
	Quiet    time.Duration // a silence that ends a text; 0: none does
	Checksum TextChecksum
}

// TextChecksum says what is reckoned over which part of a text.
type TextChecksum struct {
	Kind          string // empty for none, sum-8, xor-8, crc-16/modbus
	Raw           bool   // written as bytes, not as hexadecimal digits
	LowFirst      bool   // crc-16/modbus: the low byte stands first
	After, Before []byte // what is covered begins and ends there; empty: all
	BehindEnd     bool   // stands behind the text's end
}

// TextAsk is a question and the pattern of its answer.
type TextAsk struct {
	Name string
	// Send is what goes out. SendChecksum, if it has a kind, is reckoned over
	// Send and goes out behind it, and SendTail behind that.
	Send, SendTail []byte
	SendChecksum   TextChecksum
	Format         TextFormat
	Pattern        string // RE2, must match all of the answer
}

// TextPrint is one kind of text that a controller prints by itself.
type TextPrint struct {
	Name    string
	Pattern string
}

// TextField says where a channel's characters stand and how they are read.
type TextField struct {
	Source   string // name of the ask or print
	Group    string // of its pattern
	As       string // decimal, fixed, hexadecimal, word
	Decimals int    // fixed: digits behind the implied point
	Comma    bool   // decimal: the point is a comma
	Signed   bool   // hexadecimal: two's complement
	Words    map[string]int64
	Absent   []string // texts that mean "no value"
}
