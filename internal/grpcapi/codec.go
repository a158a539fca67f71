package grpcapi

import (
	"google.golang.org/grpc/encoding"
	grpcproto "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/proto"

	"cannulary/internal/intake"
)

// codec is the usual protobuf codec, except that bytes which cannot be decoded (text that
// is not UTF-8, a message cut off) reach intake as unknown bytes instead of ending the
// call: intake then says which field is wrong, and a feed goes on.
type codec struct{ encoding.CodecV2 }

func newCodec() codec { return codec{encoding.GetCodecV2(grpcproto.Name)} }

func (c codec) Unmarshal(data mem.BufferSlice, v any) error {
	m, ok := v.(proto.Message)
	if !ok {
		return c.CodecV2.Unmarshal(data, v)
	}
	raw := data.Materialize()
	if (proto.UnmarshalOptions{RecursionLimit: intake.MaxDepth}).Unmarshal(raw, m) != nil {
		proto.Reset(m)
		m.ProtoReflect().SetUnknown(raw)
	}
	return nil
}
