package frame

import (
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"plumbline/internal/text"
)

// origin is where a request comes from.
type origin struct {
	Address netip.Addr // of the client
	https   bool       // the client's connection is encrypted
	Local   bool       // from this machine itself, no proxy between
	safe    bool       // encrypted, or within this machine, or from a named proxy
}

const originKey = "origin"

func CameFrom(c *gin.Context) origin {
	v, _ := c.Get(originKey)
	o, _ := v.(origin)
	return o
}

// proxyHeaders are those with which a proxy says that it stands between.
var proxyHeaders = []string{"Forwarded", "Via", "X-Forwarded-For", "X-Forwarded-Host", "X-Forwarded-Proto", "X-Real-Ip"}

// originOf believes what headers say of the client if the connection comes from a
// named proxy, and nothing otherwise.
func (s *Frame) originOf(r *http.Request) origin {
	peer := addressOf(r.RemoteAddr)
	o := origin{Address: peer, https: r.TLS != nil}
	proxied := slices.ContainsFunc(proxyHeaders, func(h string) bool { return len(r.Header.Values(h)) > 0 })
	o.Local = peer.IsLoopback() && !proxied && namesThisMachine(r.Host)
	trusted := s.trusts(peer)
	if trusted {
		o.Address = s.forwardedFor(r, peer)
		o.https = o.https || lastOf(r.Header.Values("X-Forwarded-Proto")) == "https"
	}
	o.safe = o.https || trusted || peer.IsLoopback()
	return o
}

// namesThisMachine reports whether a request asks for this machine by an address or as
// localhost. A page of another site can lead a browser here under a name of its own
// (DNS rebinding), and its scripts then read the answers.
func namesThisMachine(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	return strings.EqualFold(host, "localhost") || addressOf(host).IsLoopback()
}

func (s *Frame) trusts(a netip.Addr) bool {
	return slices.ContainsFunc(s.TrustedProxies, func(p netip.Prefix) bool { return p.Contains(a) })
}

// forwardedFor goes from the nearest hop outwards to the first address that is no
// named proxy's: what stands further out anyone can write.
func (s *Frame) forwardedFor(r *http.Request, peer netip.Addr) netip.Addr {
	hops := strings.Split(strings.Join(r.Header.Values("X-Forwarded-For"), ","), ",")
	client := peer
	for _, hop := range slices.Backward(hops) {
		a := addressOf(strings.TrimSpace(hop))
		if !a.IsValid() {
			break
		}
		client = a
		if !s.trusts(a) {
			break
		}
	}
	return client
}

// addressOf reads an address with or without a port; the zero Addr if it is none.
func addressOf(s string) netip.Addr {
	if ap, err := netip.ParseAddrPort(s); err == nil {
		return ap.Addr().Unmap().WithZone("")
	}
	a, _ := netip.ParseAddr(strings.Trim(s, "[]"))
	return a.Unmap().WithZone("")
}

// lastOf is the last word of a list header, in lower case: the one that the
// nearest proxy wrote.
func lastOf(values []string) string {
	words := strings.Split(strings.Join(values, ","), ",")
	return strings.ToLower(strings.TrimSpace(words[len(words)-1]))
}

// locate notes where a request comes from. One that has crossed a network in the
// clear is turned away, save for the probes: its sign-in could be read by others.
func (s *Frame) locate(c *gin.Context) {
	o := s.originOf(c.Request)
	c.Set(originKey, o)
	if o.https {
		c.Header("Strict-Transport-Security", "max-age=31536000")
	}
	if !o.safe && c.FullPath() != "/healthz" && c.FullPath() != "/readyz" {
		s.tell(c, &Message{http.StatusForbidden, text.Say("message.not-encrypted"), text.Say("message.not-encrypted-says")})
		c.Abort()
	}
}

// sameSite refuses what another site makes a browser send. It looks at the headers
// that browsers set by themselves; a program that is no browser sends none.
func (s *Frame) sameSite(c *gin.Context) {
	if err := s.crossOrigin.Check(c.Request); err != nil {
		s.tell(c, &Message{http.StatusForbidden, text.Say("message.other-site"), text.Say("message.other-site-says")})
		c.Abort()
	}
}
