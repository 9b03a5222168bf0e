package metrics

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Server is a door for a metrics server: /metrics, and /healthz for whoever
// watches the program.
type Server struct {
	listener net.Listener
	http     *http.Server
	done     chan struct{}
	err      error
}

// Address completes an address: a missing host is the loopback, so that nobody
// outside reads the figures unless asked to. "9464" and ":9464" are 127.0.0.1:9464;
// port 0 takes a free one.
func Address(text string) (string, error) {
	if !strings.Contains(text, ":") {
		text = ":" + text
	}
	host, port, err := net.SplitHostPort(text)
	if n, numeric := strconv.ParseUint(port, 10, 16); err != nil || numeric != nil || n > 65535 {
		return "", fmt.Errorf("found %q, expected an address such as 127.0.0.1:9464, or a port alone", strings.TrimPrefix(text, ":"))
	}
	if host == "" {
		host = "127.0.0.1"
	}
	return net.JoinHostPort(host, port), nil
}

// IsLoopback reports whether an address of [Address] is read on this machine only.
func IsLoopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	ip := net.ParseIP(host)
	return err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
}

// Serve opens the door at address and serves source until ctx ends or the server
// is closed. It returns an error where the address cannot be opened.
func Serve(ctx context.Context, address string, source Source) (*Server, error) {
	address, err := Address(address)
	if err != nil {
		return nil, err
	}
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(NewRegistry(source), promhttp.HandlerOpts{
		EnableOpenMetrics: true, MaxRequestsInFlight: 4, Timeout: 10 * time.Second,
	}))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = w.Write([]byte("ok\n")) // whoever asked has gone
	})
	s := &Server{listener: listener, done: make(chan struct{}), http: &http.Server{
		Handler: mux, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
		WriteTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
	}}
	stop := context.AfterFunc(ctx, func() { _ = s.http.Close() }) // Serve says how it ended
	go func() {
		defer close(s.done)
		defer stop()
		if err := s.http.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			s.err = err
		}
	}()
	return s, nil
}

// Address returns where the server listens.
func (s *Server) Address() string { return s.listener.Addr().String() }

// Close ends the server at once and returns what stopped it before, if anything.
func (s *Server) Close() error {
	err := s.http.Close()
	<-s.done
	return errors.Join(s.err, err)
}
