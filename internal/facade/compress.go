package facade

import (
	"bytes"
	"compress/gzip"
	"sync"
)

// minGzip is the size of a body from which on it is compressed, in bytes: a smaller one
// goes in one packet anyway.
const minGzip = 1400

// compressor is a gzip writer with its buffer: together near a megabyte, so they are kept.
type compressor struct {
	w   *gzip.Writer
	out bytes.Buffer
}

var compressors = sync.Pool{New: func() any {
	w, err := gzip.NewWriterLevel(nil, gzip.BestSpeed)
	if err != nil {
		panic(err) // the level is a good one
	}
	return &compressor{w: w}
}}

// gzipped compresses a body.
func gzipped(body []byte) ([]byte, error) {
	c, ok := compressors.Get().(*compressor)
	if !ok {
		panic("the pool holds something else")
	}
	defer compressors.Put(c)
	c.out.Reset()
	c.w.Reset(&c.out)
	if _, err := c.w.Write(body); err != nil {
		return nil, err
	}
	if err := c.w.Close(); err != nil {
		return nil, err
	}
	return bytes.Clone(c.out.Bytes()), nil
}
