// Package wavfile reads and writes recordings as WAV files: [Reader] is a
// [capture.Source], [Writer] keeps what a source delivered so that reading it
// back gives the same frames, losses and start.
//
// The reader takes what recorders really leave behind: RIFF, RF64 and BW64,
// plain and extensible headers, integer and float samples, unpadded odd
// chunks, sizes that are zero, placeholders, wrapped or larger than the file.
// It allocates nothing by the sizes a file claims.
//
// The sample format is decoded by go-audio/wav. Chunks and samples are not:
// release 1.1.0 of that library allocates whatever a chunk claims to hold,
// reads nothing from an unfinished file, drops samples at short reads from a
// pipe, hands out floats as bit patterns and takes a few seconds for an hour.
//
// The documents followed are Microsoft and IBM, Multimedia Programming
// Interface and Data Specifications 1.0 (RIFF WAVE); EBU Tech 3285 (Broadcast
// Wave, chunk bext); EBU Tech 3306 (RF64); EBU R 98 (coding history).
package wavfile
