package app

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"strings"
	"sync"
	"time"

	"plumbline/internal/auth"
	"plumbline/internal/clinical"
)

// checkAccess reads the settings of who may reach the pages and how.
func (s *settings) checkAccess(v map[string]string) (err error) {
	if (s.tlsCert == "") != (s.tlsKey == "") {
		return errors.New("tls-cert and tls-key belong together; set both, or neither")
	}
	if s.proxies, err = readProxies(v["trusted-proxies"]); err != nil {
		return err
	}
	s.idle, err = time.ParseDuration(v["idle-sign-off"])
	if err != nil || s.idle < time.Second || s.idle > auth.AbsoluteLimit {
		return fmt.Errorf("idle-sign-off %q is not a duration from 1s to 12h, such as 15m", v["idle-sign-off"])
	}
	return nil
}

func readProxies(list string) ([]netip.Prefix, error) {
	var out []netip.Prefix
	for _, word := range strings.FieldsFunc(list, func(r rune) bool { return r == ',' || r == ' ' }) {
		p, err := netip.ParsePrefix(word)
		if a, e := netip.ParseAddr(word); e == nil {
			p, err = netip.PrefixFrom(a.Unmap(), a.Unmap().BitLen()), nil
		}
		switch {
		case err != nil:
			return nil, fmt.Errorf("trusted-proxies: %q is no address or network such as 10.1.2.3 or 10.1.2.0/28", word)
		case p.Bits() == 0:
			return nil, fmt.Errorf("trusted-proxies: %q is everybody; name the proxy alone, for its word is taken for who somebody is", word)
		}
		out = append(out, p.Masked())
	}
	return out, nil
}

// onLoopback reports whether an address of this machine alone is named.
func onLoopback(address string) bool {
	host, _, _ := net.SplitHostPort(address)
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// listen opens the port. Beyond this machine it does so only where passwords and
// patients' data do not travel in the clear.
func listen(s settings) (net.Listener, error) {
	if _, _, err := net.SplitHostPort(s.listen); err != nil {
		return nil, usagef("listen %q is not an address and port such as 127.0.0.1:8080", s.listen)
	}
	if !onLoopback(s.listen) && s.tlsCert == "" && len(s.proxies) == 0 {
		return nil, usagef("listen %q is not loopback, and passwords would travel in the clear: "+
			"set tls-cert and tls-key, or put a proxy that speaks https before it and name it in "+
			"trusted-proxies, or use 127.0.0.1", s.listen)
	}
	if s.tlsCert != "" {
		if _, err := tls.LoadX509KeyPair(s.tlsCert, s.tlsKey); err != nil {
			return nil, usagef("the certificate cannot be used: %v; tls-cert and tls-key name PEM files that belong together", err)
		}
	}
	if err := (auth.Rules{Breached: s.breachedList}).CheckList(); err != nil {
		return nil, usagef("breached-list: %v", err)
	}
	l, err := net.Listen("tcp", s.listen)
	if err != nil {
		return nil, fmt.Errorf("the web server cannot listen on %s: %w; choose another with --listen", s.listen, err)
	}
	return l, nil
}

// certificate serves a certificate from files and takes it up anew when they
// change, without a restart. Files that do not fit are named in the log, and the
// certificate in use stays.
type certificate struct {
	cert, key string
	clock     clinical.Clock
	log       *slog.Logger

	mu     sync.Mutex
	looked time.Time
	state  string // sizes and times of the files
	loaded *tls.Certificate
}

// lookEvery is how often the files are looked at, at most.
const lookEvery = time.Second

func (c *certificate) config() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: c.get}
}

func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.clock()
	if c.loaded != nil && now.Sub(c.looked) < lookEvery {
		return c.loaded, nil
	}
	c.looked = now
	state := fileState(c.cert) + fileState(c.key)
	if c.loaded != nil && state == c.state {
		return c.loaded, nil
	}
	fresh, err := tls.LoadX509KeyPair(c.cert, c.key)
	switch {
	case err == nil:
		if c.loaded != nil {
			c.log.Info("the certificate was changed and is in use")
		}
		c.loaded = &fresh
	case c.loaded == nil:
		return nil, err
	default:
		c.log.Error("the changed certificate cannot be used; the one before it stays in use", "error", err)
	}
	c.state = state
	return c.loaded, nil
}

func fileState(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return "missing "
	}
	return fmt.Sprint(info.Size(), " ", info.ModTime().UnixNano(), " ")
}
