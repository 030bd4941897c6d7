package wavfile_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"time"

	"timeball/capture"
)

// chunk is one chunk with the size it has; odd ones are padded.
func chunk(id string, body ...byte) []byte {
	c := claim(id, uint32(len(body)), body...)
	if len(body)%2 != 0 {
		c = append(c, 0)
	}
	return c
}

// claim is a chunk that claims a size, not padded.
func claim(id string, size uint32, body ...byte) []byte {
	return append(binary.LittleEndian.AppendUint32([]byte(id), size), body...)
}

// file is a form around chunks.
func file(form string, chunks ...[]byte) []byte {
	body := bytes.Join(chunks, nil)
	return append(append(binary.LittleEndian.AppendUint32([]byte(form), uint32(len(body)+4)), "WAVE"...), body...)
}

// le is values as little-endian bytes.
func le(values ...any) []byte {
	var b bytes.Buffer
	for _, v := range values {
		if err := binary.Write(&b, binary.LittleEndian, v); err != nil {
			panic(err)
		}
	}
	return b.Bytes()
}

// fmtBody is the body of a fmt chunk of 16 bytes.
func fmtBody(tag, channels int, rate uint32, bits, width int) []byte {
	align := channels * width
	return le(uint16(tag), uint16(channels), rate, rate*uint32(align), uint16(align), uint16(bits))
}

// extensible is the body of an extensible fmt chunk.
func extensible(sub, channels int, rate uint32, bits, width, valid int) []byte {
	return append(fmtBody(0xFFFE, channels, rate, bits, width),
		le(uint16(22), uint16(valid), uint32(3), uint16(sub),
			[]byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71})...)
}

// bext is the body of a bext chunk.
func bext(note, date, clock string, frames uint64, history string) []byte {
	b := make([]byte, 602)
	copy(b, note)
	copy(b[320:], date)
	copy(b[330:], clock)
	binary.LittleEndian.PutUint64(b[338:], frames)
	return append(b, history...)
}

// testCase is a file and what must come of it.
type testCase struct {
	name string
	file []byte
	// What the reader must say and deliver, or a part of the error.
	info    capture.Info // rate, channels, bits, start, note, gaps
	samples [][]float32
	err     string
	// pipeErr is part of the error through a pipe where only that fails;
	// pipeDiffers marks a file that a pipe shows less of.
	pipeErr     string
	pipeDiffers bool
}

var (
	stereo16 = chunk("fmt ", fmtBody(1, 2, 48000, 16, 2)...)
	mono8    = chunk("fmt ", fmtBody(1, 1, 8000, 8, 1)...)
	// Five frames of 16-bit stereo and what they are.
	pcm     = le([]int16{0, 1, -1, 16384, 32767, -32768, -16384, 8192, 100, -100})
	frames5 = [][]float32{
		{0, -1. / 32768, 32767. / 32768, -0.5, 100. / 32768},
		{1. / 32768, 0.5, -1, 0.25, -100. / 32768},
	}
	plain  = capture.Info{Rate: 48000, Channels: 2, Bits: 16}
	bytes3 = []byte{128, 255, 0} // 8-bit samples are offset by 128
	info8  = capture.Info{Rate: 8000, Channels: 1, Bits: 8}
	want8  = [][]float32{{0, 127. / 128, -1}}
	list   = chunk("LIST", []byte("INFOISFT\x04\x00\x00\x00none")...)
)

// with is plain with one thing changed.
func with(change func(*capture.Info)) capture.Info {
	i := plain
	change(&i)
	return i
}

// ds64 is the chunk of that name, EBU Tech 3306.
func ds64(riff, data, frames uint64) []byte {
	return chunk("ds64", le(riff, data, frames, uint32(0))...)
}

var bext2026 = with(func(i *capture.Info) {
	i.Start = time.Date(2026, 3, 14, 18, 20, 7, 0, time.UTC)
	i.Note = "10 MHz, AM"
})

var cases = []testCase{
	{name: "plain", file: file("RIFF", stereo16, chunk("data", pcm...)), info: plain, samples: frames5},
	{name: "8 bit, odd, padded", file: file("RIFF", mono8, chunk("data", bytes3...)), info: info8, samples: want8},
	{name: "24 bit", file: file("RIFF", chunk("fmt ", fmtBody(1, 1, 96000, 24, 3)...), chunk("data", 0, 0, 0x80, 0xff, 0xff, 0x7f, 1, 0, 0)),
		info: capture.Info{Rate: 96000, Channels: 1, Bits: 24}, samples: [][]float32{{-1, 8388607. / 8388608, 1. / 8388608}}},
	{name: "32 bit", file: file("RIFF", chunk("fmt ", fmtBody(1, 1, 192000, 32, 4)...), chunk("data", le([]int32{math.MinInt32, 1 << 30, -3 << 20})...)),
		info: capture.Info{Rate: 192000, Channels: 1, Bits: 32}, samples: [][]float32{{-1, 0.5, -3. / 2048}}},
	{name: "float", file: file("RIFF", chunk("fmt ", append(fmtBody(3, 2, 44100, 32, 4), 0, 0)...), chunk("fact", 2, 0, 0, 0), chunk("data", le([]float32{0.25, -1.5, 1e-9, 1})...)),
		info: capture.Info{Rate: 44100, Channels: 2, Bits: 32}, samples: [][]float32{{0.25, 1e-9}, {-1.5, 1}}},
	{name: "long float", file: file("RIFF", chunk("fmt ", fmtBody(3, 1, 44100, 64, 8)...), chunk("data", le([]float64{0.25, -1.5, 1e300})...)),
		info: capture.Info{Rate: 44100, Channels: 1, Bits: 64}, samples: [][]float32{{0.25, -1.5, 0}}},
	{name: "no numbers", file: file("RIFF", chunk("fmt ", fmtBody(3, 1, 44100, 32, 4)...), chunk("data", le([]float32{0.25, float32(math.NaN()), float32(math.Inf(-1)), 1})...)),
		info: capture.Info{Rate: 44100, Channels: 1, Bits: 32}, samples: [][]float32{{0.25, 0, 0, 1}}},
	{name: "extensible integers", file: file("RIFF", chunk("fmt ", extensible(1, 2, 48000, 16, 2, 16)...), chunk("data", pcm...)), info: plain, samples: frames5},
	{name: "extensible floats", file: file("RIFF", chunk("fmt ", extensible(3, 1, 48000, 32, 4, 32)...), chunk("data", le([]float32{0.25, -1})...)),
		info: capture.Info{Rate: 48000, Channels: 1, Bits: 32}, samples: [][]float32{{0.25, -1}}},
	{name: "extensible, 20 bits of 24", file: file("RIFF", chunk("fmt ", extensible(1, 1, 48000, 24, 3, 20)...), chunk("data", 0, 0, 0x40, 0x10, 0, 0)),
		info: capture.Info{Rate: 48000, Channels: 1, Bits: 20}, samples: [][]float32{{0.5, 1. / (1 << 19)}}},
	{name: "24 bits in 32", file: file("RIFF", chunk("fmt ", fmtBody(1, 1, 48000, 24, 4)...), chunk("data", le([]int32{1 << 30, -1 << 31})...)),
		info: capture.Info{Rate: 48000, Channels: 1, Bits: 24}, samples: [][]float32{{0.5, -1}}},
	{name: "three channels", file: file("RIFF", chunk("fmt ", fmtBody(1, 3, 8000, 16, 2)...), chunk("data", le([]int16{1 << 14, 0, -1 << 15, -1 << 14, 1 << 13, 0})...)),
		info: capture.Info{Rate: 8000, Channels: 3, Bits: 16}, samples: [][]float32{{0.5, -0.5}, {0, 0.25}, {-1, 0}}},

	{name: "odd chunk before, padded", file: file("RIFF", chunk("note", 'a', 'b', 'c'), stereo16, chunk("data", pcm...)), info: plain, samples: frames5},
	{name: "odd chunk before, not padded", file: file("RIFF", claim("note", 3, 'a', 'b', 'c'), stereo16, chunk("data", pcm...)), info: plain, samples: frames5},
	{name: "odd chunk after, padded", file: file("RIFF", mono8, chunk("data", bytes3...), list), info: info8, samples: want8},
	{name: "odd data not padded", file: file("RIFF", mono8, claim("data", 3, bytes3...), list), info: info8, samples: want8},
	{name: "chunk nobody knows after", file: file("RIFF", stereo16, chunk("data", pcm...), chunk("ghLt", 1, 2, 3)), info: plain, samples: frames5},
	{name: "list cut short after", file: file("RIFF", stereo16, chunk("data", pcm...), list[:12]), info: plain, samples: frames5},
	{name: "three bytes after", file: append(file("RIFF", stereo16, chunk("data", pcm...)), 1, 2, 3), info: plain, samples: frames5},
	{name: "two data chunks", file: file("RIFF", stereo16, chunk("data", pcm...), chunk("data", pcm...)), info: plain, samples: frames5},
	{name: "data before fmt", file: file("RIFF", chunk("data", pcm...), stereo16), info: plain, samples: frames5, pipeErr: "no sample format before its sound data"},

	{name: "unfinished, size 0", file: file("RIFF", stereo16, claim("data", 0, pcm...)), info: plain, samples: frames5},
	{name: "unfinished, no size", file: file("RIFF", stereo16, claim("data", 0xFFFFFFFF, pcm...)), info: plain, samples: frames5},
	{name: "unfinished, placeholder", file: append([]byte("RIFF\x2a\x00\x00\x00"), file("RIFF", stereo16, claim("data", 8, pcm...))[8:]...), info: plain, samples: frames5},
	{name: "unfinished, RIFF size 0", file: append([]byte("RIFF\x00\x00\x00\x00"), file("RIFF", stereo16, claim("data", 0, pcm...))[8:]...), info: plain, samples: frames5},
	{name: "RIFF size wrong", file: append([]byte("RIFF\x00\x01\x00\x00"), file("RIFF", stereo16, chunk("data", pcm...), list)[8:]...), info: plain, samples: frames5},
	{name: "size larger than file", file: file("RIFF", stereo16, claim("data", 21, pcm...)), info: plain, samples: frames5},
	{name: "cut in a frame", file: file("RIFF", stereo16, claim("data", 1000, append(pcm, 7, 7, 7)...)), info: plain, samples: frames5},

	{name: "RF64", file: file("RF64", ds64(0, 20, 5), stereo16, claim("data", 0xFFFFFFFF, pcm...), list), info: plain, samples: frames5},
	{name: "BW64", file: file("BW64", ds64(0, 20, 5), stereo16, claim("data", 0xFFFFFFFF, pcm...), list), info: plain, samples: frames5},
	{name: "RF64, size in data", file: file("RF64", ds64(0, 0, 0), stereo16, claim("data", 20, pcm...), list), info: plain, samples: frames5},
	{name: "RF64 unfinished", file: file("RF64", ds64(0, 0, 0), stereo16, claim("data", 0xFFFFFFFF, pcm...)), info: plain, samples: frames5},
	{name: "RF64 with an absurd size", file: file("RF64", ds64(0, 1<<63+5, 0), stereo16, claim("data", 0xFFFFFFFF, pcm...)), info: plain, samples: frames5},

	{name: "bext", file: file("RIFF", chunk("bext", bext("10 MHz, AM", "2026-03-14", "18:20:07", 0, "")...), stereo16, chunk("data", pcm...)), info: bext2026, samples: frames5},
	{name: "bext, other separators", file: file("RIFF", chunk("bext", bext("10 MHz, AM", "2026_03.14", "18-20-07", 0, "")...), stereo16, chunk("data", pcm...)), info: bext2026, samples: frames5},
	{name: "bext, studio's time code", file: file("RIFF", chunk("bext", bext("10 MHz, AM", "2026-03-14", "18:20:07", 3600*48000, "")...), stereo16, chunk("data", pcm...)), info: bext2026, samples: frames5},
	{name: "bext, exact frame", file: file("RIFF", chunk("bext", bext("", "2026-03-14", "18:20:07", (18*3600+20*60+7)*48000+12000, "")...), stereo16, chunk("data", pcm...)),
		info: with(func(i *capture.Info) { i.Start = time.Date(2026, 3, 14, 18, 20, 7, 250e6, time.UTC) }), samples: frames5},
	{name: "bext, clock a moment later, past midnight", file: file("RIFF", chunk("bext", bext("", "2026-03-15", "00:00:00", 86400*48000-24000, "")...), stereo16, chunk("data", pcm...)),
		info: with(func(i *capture.Info) { i.Start = time.Date(2026, 3, 14, 23, 59, 59, 500e6, time.UTC) }), samples: frames5},
	{name: "bext, no date", file: file("RIFF", chunk("bext", bext("x\x1b[2J\xffy", "0000-00-00", "00:00:00", 0, "")...), stereo16, chunk("data", pcm...)),
		info: with(func(i *capture.Info) { i.Note = "x [2J?y" }), samples: frames5},
	{name: "bext cut short", file: file("RIFF", chunk("bext", bext("10 MHz, AM", "2026-03-14", "18:20:07", 0, "")[:400]...), stereo16, chunk("data", pcm...)), info: plain, samples: frames5},
	{name: "bext after the data", file: file("RIFF", stereo16, chunk("data", pcm...), chunk("bext", bext("10 MHz, AM", "2026-03-14", "18:20:07", 0, "")...)), info: bext2026, samples: frames5, pipeDiffers: true},
	{name: "gaps", file: file("RIFF", chunk("bext", bext("", "", "", 0,
		"A=PCM,F=48000,W=16,M=stereo,T=timeball\r\n"+
			"A=PCM,T=lost 10 frames at 2\r\n"+
			"A=PCM,T=lost 5 frames at 12\r\n"+ // goes on where the last ended
			"A=PCM,T=lost 9 frames at 16\r\n"+ // within the last
			"A=PCM,T=lost -3 frames at 18\r\n"+
			"A=MPEG1L2,F=48000,B=192\r\n"+
			"A=PCM,T=lost about 7 frames at 19\r\n"+
			"A=PCM,T=lost 7 frames at 2")...), // the rest was never written
		stereo16, chunk("data", pcm...)),
		info: with(func(i *capture.Info) { i.Gaps = []capture.Gap{{At: 2, Lost: 15}, {At: 19, Lost: 7, Inexact: true}} }), samples: frames5},
	{name: "gap after the end", file: file("RIFF", chunk("bext", bext("", "", "", 0, "A=PCM,T=lost 10 frames at 5\r\n")...), stereo16, chunk("data", pcm...)),
		info: with(func(i *capture.Info) { i.Gaps = []capture.Gap{} }), samples: frames5, pipeDiffers: true},

	{name: "empty", err: "empty file"},
	{name: "text", file: []byte("Dear museum, the clock has stopped."), err: `not a WAV file (it begins with "Dear")`},
	{name: "three bytes", file: []byte("RIF"), err: `not a WAV file (it begins with "RIF")`},
	{name: "another RIFF", file: append([]byte("RIFF\x10\x00\x00\x00AVI "), list...), err: "not a WAV file"},
	{name: "rate 0", file: file("RIFF", chunk("fmt ", fmtBody(1, 2, 0, 16, 2)...), chunk("data", pcm...)), err: "0 Hz"},
	{name: "rate too high", file: file("RIFF", chunk("fmt ", fmtBody(1, 2, 1e9, 16, 2)...), chunk("data", pcm...)), err: "1000000000 Hz"},
	{name: "no channels", file: file("RIFF", chunk("fmt ", fmtBody(1, 0, 48000, 16, 2)...), chunk("data", pcm...)), err: "no channels"},
	{name: "frames contradict channels", file: file("RIFF", chunk("fmt ", le(uint16(1), uint16(2), uint32(48000), uint32(96000), uint16(2), uint16(16))...), chunk("data", pcm...)), err: "contradicts itself"},
	{name: "mu-law", file: file("RIFF", chunk("fmt ", fmtBody(7, 1, 8000, 8, 1)...), chunk("data", pcm...)), err: "compressed"},
	{name: "extensible, foreign", file: file("RIFF", chunk("fmt ", append(extensible(1, 2, 48000, 16, 2, 16)[:39], 0)...), chunk("data", pcm...)), err: "foreign sub-format"},
	{name: "extensible, cut", file: file("RIFF", chunk("fmt ", extensible(1, 2, 48000, 16, 2, 16)[:20]...), chunk("data", pcm...)), err: "unknown kind"},
	{name: "no bits", file: file("RIFF", chunk("fmt ", fmtBody(1, 2, 48000, 0, 2)...), chunk("data", pcm...)), err: "0 bits"},
	{name: "65535 bits", file: file("RIFF", chunk("fmt ", fmtBody(1, 1, 48000, 65535, 8192)...), chunk("data", pcm...)), err: "65535 bits"},
	{name: "16-bit floats", file: file("RIFF", chunk("fmt ", fmtBody(3, 2, 48000, 16, 2)...), chunk("data", pcm...)), err: "16 bits"},
	{name: "fmt cut", file: file("RIFF", chunk("fmt ", 1, 0, 2, 0), chunk("data", pcm...)), err: "cut short"},
	{name: "fmt claims 4 GiB", file: file("RIFF", claim("fmt ", 0xFFFFFFF0, fmtBody(1, 2, 48000, 16, 2)...), chunk("data", pcm...)), err: "no sound data"},
	{name: "list claims 4 GiB", file: file("RIFF", stereo16, claim("LIST", 0xFFFFFFF0), chunk("data", pcm...)), err: "no sound data"},
	{name: "bext claims 4 GiB", file: file("RIFF", stereo16, claim("bext", 0xFFFFFFF0), chunk("data", pcm...)), err: "no sound data"},
	{name: "no fmt", file: file("RIFF", chunk("data", pcm...)), err: "no sample format"},
	{name: "no data", file: file("RIFF", stereo16, list), err: "no sound data"},
	{name: "header only", file: file("RIFF", stereo16, chunk("data")), err: "no sound in it"},
	{name: "nothing recorded, list after", file: file("RIFF", stereo16, chunk("data"), list), err: "no sound in it"},
	{name: "less than a frame", file: file("RIFF", stereo16, claim("data", 3, 1, 2, 3)), err: "no sound in it"},
}
