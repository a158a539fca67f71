package app

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// What does not come ends its connection: headers and bodies. An answer that takes longer is not cut, so that
// live pages go on, over HTTP/1.1 and HTTP/2.
func TestASlowClientDoesNotHoldAConnection(t *testing.T) {
	read := make(chan error, 1)
	s := httpServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, err := io.ReadAll(r.Body)
		if err == nil {
			select {
			case <-r.Context().Done():
				err = r.Context().Err()
			case <-time.After(3 * time.Second):
			}
		}
		read <- err
	}), slog.New(slog.DiscardHandler))
	if s.ReadHeaderTimeout == 0 || s.ReadTimeout == 0 || s.IdleTimeout == 0 || s.MaxHeaderBytes == 0 || s.HTTP2.MaxConcurrentStreams == 0 {
		t.Errorf("something is not bounded: %+v", s)
	}
	s.ReadHeaderTimeout, s.ReadTimeout = 2*time.Second, 2*time.Second
	s.Protocols = new(http.Protocols)
	s.Protocols.SetHTTP1(true)
	s.Protocols.SetUnencryptedHTTP2(true)
	lis, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = s.Serve(lis) }()
	defer func() { _ = s.Close() }()

	send := func(text string) net.Conn {
		conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", lis.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(conn, text); err != nil {
			t.Fatal(err)
		}
		return conn
	}
	const head = "POST /what-if HTTP/1.1\r\nHost: localhost\r\nContent-Length: 4\r\n\r\n"
	body := send(head + "ab")
	defer func() { _ = body.Close() }()
	if err := <-read; err == nil || !strings.Contains(err.Error(), "timeout") {
		t.Errorf("a body that does not come is read with %v", err)
	}
	header := send("POST /what-if HTTP/1.1\r\nHost: loc")
	defer func() { _ = header.Close() }()
	if err := header.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(io.Discard, header); err != nil {
		t.Errorf("headers that do not come hold the connection: %v", err)
	}
	for _, second := range []bool{false, true} {
		transport := &http.Transport{Protocols: new(http.Protocols)}
		transport.Protocols.SetHTTP1(!second)
		transport.Protocols.SetUnencryptedHTTP2(second)
		req, err := http.NewRequestWithContext(context.Background(), http.MethodPost, "http://"+lis.Addr().String(), bytes.NewReader([]byte("abcd")))
		if err != nil {
			t.Fatal(err)
		}
		resp, err := (&http.Client{Transport: transport}).Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		transport.CloseIdleConnections()
		if err := <-read; err != nil || (resp.ProtoMajor == 2) != second {
			t.Errorf("an answer that takes long over %s: %v", resp.Proto, err)
		}
	}
}
