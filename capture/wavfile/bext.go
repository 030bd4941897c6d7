package wavfile

import (
	"encoding/binary"
	"strings"
	"time"
	"unicode"
)

// Places in the bext chunk, EBU Tech 3285.
const (
	bextDescription   = 0   // 256 characters
	bextOriginator    = 256 // 32
	bextReference     = 288 // 32
	bextDate          = 320 // 10, yyyy-mm-dd
	bextTime          = 330 // 8, hh:mm:ss
	bextTimeReference = 338 // frames since midnight, 64 bits
	bextVersion       = 346 // 16 bits
	bextSize          = 602 // coding history from here
)

const day = 24 * time.Hour

// putBext fills in the fixed part of a bext chunk. Date and time are UTC; a
// zero start leaves them out.
func putBext(b []byte, rate int, start time.Time, note string) {
	copy(b[bextDescription:bextOriginator], note)
	copy(b[bextOriginator:bextReference], "timeball")
	binary.LittleEndian.PutUint16(b[bextVersion:], 1)
	if start.IsZero() {
		return
	}
	start = start.UTC()
	copy(b[bextDate:], start.Format("2006-01-02"))
	copy(b[bextTime:], start.Format("15:04:05"))
	sinceMidnight := framesIn(start.Sub(start.Truncate(day)), rate)
	sinceMidnight = min(sinceMidnight, framesIn(day, rate)-1) // rounded into the next day
	binary.LittleEndian.PutUint64(b[bextTimeReference:], uint64(sinceMidnight))
}

// parseBext reads what a bext chunk says of the recording's start and
// settings. The standard names no time zone: the times are taken for UTC, as
// this package writes them.
func parseBext(b []byte, rate int) (start time.Time, note string) {
	if len(b) < bextSize {
		return time.Time{}, ""
	}
	note = text(b[bextDescription:bextOriginator])
	clock := append([]byte(nil), b[bextDate:bextTimeReference]...)
	for i, c := range clock { // the separators are free
		if c < '0' || c > '9' {
			clock[i] = ' '
		}
	}
	start, err := time.Parse("2006 01 0215 04 05", string(clock))
	if err != nil {
		return time.Time{}, note
	}
	// The frame count since midnight is exact where the clock time has whole
	// seconds, but it may be something else, as the time code of a studio.
	frames := binary.LittleEndian.Uint64(b[bextTimeReference:])
	if frames >= uint64(rate)*uint64(day/time.Second) {
		return start, note
	}
	midnight := start.Truncate(day)
	for _, exact := range []time.Time{
		midnight.Add(timeOf(int64(frames), rate)),
		midnight.Add(timeOf(int64(frames), rate) - day),
	} {
		if d := exact.Sub(start); d > -2*time.Second && d < 2*time.Second {
			return exact, note
		}
	}
	return start, note
}

// text is a field of characters up to the first NUL, fit to be printed.
func text(b []byte) string {
	field, _, _ := strings.Cut(string(b), "\x00")
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(field, "?"))
}

// timeOf is the time in which a clock of rate hertz counts frames. Seconds and
// the rest apart, nothing overflows in 292 years.
func timeOf(frames int64, rate int) time.Duration {
	r := int64(rate)
	return time.Duration(frames/r)*time.Second + time.Duration(frames%r)*time.Second/time.Duration(r)
}

// framesIn is the number of frames of a clock of rate hertz that begin in d,
// rounded to the nearest.
func framesIn(d time.Duration, rate int) int64 {
	r := int64(rate)
	rest := d % time.Second
	return int64(d/time.Second)*r + (int64(rest)*r+int64(time.Second)/2)/int64(time.Second)
}
