package pagetest

import (
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"context"

	"plumbline/internal/browsertest"
	"plumbline/internal/server"
	"plumbline/internal/server/servertest"
)

func TestShots(t *testing.T) {
	dir := os.Getenv("SHOTS")
	if dir == "" {
		t.Skip("")
	}
	zone, _ := time.LoadLocation("America/Chicago")
	d, _, err := servertest.Demo(zone)
	if err != nil {
		t.Fatal(err)
	}
	site := httptest.NewServer(server.New(d))
	defer site.Close()
	b := browsertest.Start(t)
	only := os.Getenv("ONLY")
	for _, path := range []string{"/units/4W", "/stays/S102", "/stays/S108", "/feeds", "/rules", "/nowhere", "/units/2E"} {
		for _, width := range []int{1440, 768, 390} {
			for _, scheme := range []string{"light", "dark"} {
				name := fmt.Sprintf("%s-%d-%s", strings.Trim(strings.ReplaceAll(path, "/", "_"), "_"), width, scheme)
				if only != "" && !strings.Contains(name, only) {
					continue
				}
				p := b.Open(t, "about:blank", width, 900)
				if err := chromedp.Do(p.Context(), chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
					_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
					return err
				})); err != nil {
					t.Fatal(err)
				}
				p.Navigate(site.URL + path)
				p.Wait("footer")
				time.Sleep(300 * time.Millisecond)
				os.WriteFile(filepath.Join(dir, name+".png"), p.Screenshot(), 0o644)
				for _, c := range p.Console() {
					t.Log(name, c)
				}
				for _, v := range p.Axe() {
					t.Log(name, v)
				}
				if w := browsertest.Eval[int](p, "document.documentElement.scrollWidth"); w > width {
					t.Log(name, "scrolls to", w)
				}
				if width == 1440 && scheme == "dark" {
					os.WriteFile(filepath.Join(dir, name+".pdf"), p.PDF(), 0o644)
				}
			}
		}
	}
}
