package frame

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strconv"
	"strings"
	"sync"

	"github.com/gin-gonic/gin"

	"plumbline/web"
)

// assets are the static files under names that hold a hash of their content, so
// that browsers may keep them for good.
type assets struct {
	byPath map[string]*Asset // by path under /static/
	paths  map[string]string // from plain to hashed URL
}

// Asset is one static file.
type Asset struct {
	Body []byte
	Kind string
	// packed is the body compressed, nil where that saves nothing; made once.
	packed func() []byte
}

func loadAssets() *assets {
	a := &assets{byPath: map[string]*Asset{}, paths: map[string]string{}}
	err := fs.WalkDir(web.Static, "static", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := web.Static.ReadFile(name)
		if err == nil {
			a.add(strings.TrimPrefix(name, "static/"), body)
		}
		return err
	})
	if err != nil {
		panic(err) // the embedded files cannot be read: the program itself is broken
	}
	return a
}

func (a *assets) add(name string, body []byte) {
	sum := sha256.Sum256(body)
	ext := path.Ext(name)
	hashed := strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext
	kind := mime.TypeByExtension(ext)
	if ext == ".js" || ext == ".css" || ext == ".svg" { // not left to the machine's own tables
		kind = map[string]string{
			".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml",
		}[ext]
	}
	a.byPath[hashed] = &Asset{
		Body: body, Kind: kind, packed: sync.OnceValue(func() []byte { return pack(body, gzip.BestCompression) }),
	}
	a.paths[name] = "/static/" + hashed
}

// pack compresses, or returns nil where that saves nothing.
func pack(body []byte, level int) []byte {
	var b bytes.Buffer
	z, _ := gzip.NewWriterLevel(&b, level)
	_, _ = z.Write(body) // into memory: it does not fail
	_ = z.Close()
	if b.Len() >= len(body) {
		return nil
	}
	return b.Bytes()
}

// Path is the URL of a static file, "" where it is not there.
func (a *assets) path(name string) string { return a.paths[name] }

// AssetURL is the address of a static file, "" where it is not there.
func (s *Frame) AssetURL(name string) string { return s.assets.path(name) }

// Asset is a static file by its plain name; nil where it is not there.
func (s *Frame) Asset(name string) *Asset {
	return s.assets.byPath[strings.TrimPrefix(s.assets.path(name), "/static/")]
}

// Worker is a script that opens pages without a network, by its plain name. It begins with the
// addresses of what a browser keeps for it, the page itself first, and so changes with each of them.
func (s *Frame) Worker(name string, files ...string) (Page, error) {
	script, quoted := s.Asset(name), make([]string, len(files))
	for n, f := range files {
		quoted[n] = strconv.Quote(f)
	}
	head := "const FILES = [" + strings.Join(quoted, ", ") + "];\nconst VERSION = " + strconv.Quote(s.Version) + ";\n"
	return Data(script.Kind, append([]byte(head), script.Body...))
}

// aYear is how long a browser may keep a file whose name changes with its content.
const aYear = "public, max-age=31536000, immutable"

func (s *Frame) static(c *Request) (Page, error) {
	f := s.assets.byPath[strings.TrimPrefix(c.Param("name"), "/")]
	if f == nil {
		return NotFound()
	}
	c.Header("Cache-Control", aYear)
	return f, nil
}

func (f *Asset) send(_ *Frame, c *Request) error {
	send(c, http.StatusOK, f.Kind, f.Body, f.packed)
	return nil
}

// send answers with a body, compressed if the reader takes that.
func send(c *gin.Context, status int, kind string, body []byte, packed func() []byte) {
	c.Writer.Header().Add("Vary", "Accept-Encoding")
	if packed != nil && strings.Contains(c.GetHeader("Accept-Encoding"), "gzip") {
		if z := packed(); z != nil {
			c.Header("Content-Encoding", "gzip")
			body = z
		}
	}
	c.Data(status, kind, body)
}

func (s *Frame) favicon(c *Request) (Page, error) {
	f := s.Asset("icon.svg")
	c.Header("Cache-Control", "public, max-age=86400")
	return f, nil
}
