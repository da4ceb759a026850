// Package browsertest lets a test look at a page as a person would: in Chromium,
// at a size, with the keyboard, on paper, and with the rules of axe-core.
//
// Its tests compile slowly (chromedp is large), so keep browser tests in
// packages of their own.
package browsertest

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/pprof"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"plumbline/internal/testdb"
)

// patience is how long one step on a page may take before it counts as hanging: what
// is slow, on a small machine with other work, is far below it. A step that hangs ends
// its test with what every goroutine was doing.
const patience = 3 * time.Minute

// Browser is a Chromium with cookies of its own.
type Browser struct {
	ctx context.Context
}

// one is the Chromium that the tests of a package share; see Main.
var one struct {
	shared  bool // Main runs the tests
	mu      sync.Mutex
	browser context.Context
	stop    []func()
}

// Main runs the tests of a package with one Chromium for all of them, in which each
// has cookies and tabs of its own: starting one takes as long as many a test.
//
//	func TestMain(m *testing.M) { os.Exit(browsertest.Main(m)) }
func Main(m *testing.M) int {
	one.shared = true
	defer func() {
		for _, stop := range slices.Backward(one.stop) {
			stop()
		}
	}()
	return m.Run()
}

// Start gives a test a Chromium of its own: under Main a part of the shared one that
// knows nothing of the others, else one that starts and ends with the test. It knows
// no host but this machine, so a page that asks for anything from outside fails, and
// its console says so. Without Chromium, and with go test -short, the test is skipped.
func Start(tb testing.TB) *Browser {
	tb.Helper()
	if testing.Short() {
		tb.Skip("opens a browser, which go test -short does not")
	}
	_ = os.Getenv(testdb.Tools)
	program := find()
	if program == "" {
		tb.Skip("needs Chromium: run scripts/need.sh, or install the package chromium")
	}
	if !one.shared {
		ctx, stop, err := launch(program)
		tb.Cleanup(stop)
		must(tb, "start Chromium", err)
		return &Browser{ctx: ctx}
	}
	one.mu.Lock()
	defer one.mu.Unlock()
	if one.browser == nil {
		ctx, stop, err := launch(program)
		one.stop = append(one.stop, stop)
		must(tb, "start Chromium", err)
		one.browser = ctx
	}
	return (&Browser{ctx: one.browser}).Guest(tb)
}

// launch starts a Chromium. stop ends it, also where it did not start well.
func launch(program string) (ctx context.Context, stop func(), err error) {
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(program),
		chromedp.NoSandbox, // as root Chromium starts only without it; it opens our own pages alone
		chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost"),
	)
	allocator, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, closeTab, err := newTab(allocator)
	return ctx, func() { closeTab(); cancel() }, err
}

// Guest returns the same Chromium with no cookies: another person at another desk.
func (b *Browser) Guest(tb testing.TB) *Browser {
	tb.Helper()
	return &Browser{ctx: open(tb, b.ctx, chromedp.WithNewBrowserContext())}
}

// Open opens a page in a new tab of width x height CSS pixels. Below 600 pixels
// it is a phone: touch, and a viewport that the page must ask for. The tab closes
// when the test ends.
func (b *Browser) Open(tb testing.TB, url string, width, height int) *Page {
	tb.Helper()
	p := &Page{tb: tb, ctx: open(tb, b.ctx)}
	p.changed = sync.NewCond(&p.mu)
	go p.listen(chromedp.Console(p.ctx))
	p.Resize(width, height)
	p.Navigate(url)
	return p
}

// find looks where scripts/need.sh looks. The headless shell is the same engine
// without the window around it, for less than half the work.
func find() string {
	for _, name := range []string{"chromium-headless-shell", "chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	return ""
}

// open makes a tab that closes with the test.
func open(tb testing.TB, parent context.Context, options ...chromedp.ContextOption) context.Context {
	tb.Helper()
	ctx, closeTab, err := newTab(parent, options...)
	tb.Cleanup(closeTab)
	must(tb, "open a tab", err)
	return ctx
}

// newTab makes a tab, and starts the browser if parent has none yet. The first step
// must run without a time limit of its own, for chromedp ties the life of the browser
// to it; so one that hangs is cut off from outside.
func newTab(parent context.Context, options ...chromedp.ContextOption) (ctx context.Context, closeTab func(), err error) {
	ctx, cancel := chromedp.NewContext(parent, options...)
	closeTab = func() {
		limited, stop := context.WithTimeout(ctx, patience)
		defer stop()
		_ = chromedp.Cancel(limited) // closes in good order, so that no folder is left
		cancel()
	}
	var hangs atomic.Bool
	limit := time.AfterFunc(patience, func() { hangs.Store(true); cancel() })
	defer limit.Stop()
	if err = chromedp.Do(ctx); hangs.Load() {
		err = context.DeadlineExceeded
	}
	return ctx, closeTab, err
}

// Page is a tab. A step that fails ends the test.
type Page struct {
	tb  testing.TB
	ctx context.Context

	mu       sync.Mutex
	changed  *sync.Cond
	messages []chromedp.ConsoleMessage
	ended    bool
	flushes  int
}

// Context is for what this package does not offer: chromedp.Do(page.Context(), ...).
func (p *Page) Context() context.Context { return p.ctx }

// Navigate goes to a URL and waits until it has loaded.
func (p *Page) Navigate(url string) {
	p.tb.Helper()
	p.do("open "+url, chromedp.Navigate(url))
}

// Resize sets the size of the viewport; see Open.
func (p *Page) Resize(width, height int) {
	p.tb.Helper()
	var options []chromedp.EmulateViewportOption
	if width < 600 {
		options = append(options, chromedp.EmulateMobile, chromedp.EmulateTouch, chromedp.EmulatePortrait)
	}
	p.do("resize", chromedp.EmulateViewport(int64(width), int64(height), options...))
}

// Before has every page of the tab run a script before its own, from the next navigation on.
func (p *Page) Before(script string) {
	p.tb.Helper()
	p.do("add a script", chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, cdppage.AddScriptToEvaluateOnNewDocument,
			cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: script})
		return err
	}))
}

// Zone puts the browser in a time zone ("Asia/Tokyo") from the next navigation on.
func (p *Page) Zone(name string) {
	p.tb.Helper()
	p.do("set the zone "+name, chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, emulation.SetTimezoneOverride, emulation.SetTimezoneOverrideParams{TimezoneID: name})
		return err
	}))
}

// Wait waits until an element that matches the CSS selector is visible.
func (p *Page) Wait(selector string) {
	p.tb.Helper()
	p.do("wait for "+selector, chromedp.WaitVisible(chromedp.CSS(selector)))
}

// Until waits until a JavaScript expression is true.
func (p *Page) Until(expression string) {
	p.tb.Helper()
	p.do("wait until "+expression, chromedp.Poll[chromedp.Void](expression))
}

// Click clicks the first element that matches the CSS selector, once it is visible.
func (p *Page) Click(selector string) {
	p.tb.Helper()
	p.do("click "+selector, chromedp.Click(chromedp.CSS(selector), chromedp.NodeVisible))
}

// Follow clicks what leads to another page, and waits until that has loaded.
func (p *Page) Follow(selector string) {
	p.tb.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	_, err := chromedp.RunResponse(ctx, chromedp.Click(chromedp.CSS(selector), chromedp.NodeVisible))
	p.check("follow "+selector, err)
}

// Type types into the first element that matches the CSS selector.
func (p *Page) Type(selector, text string) {
	p.tb.Helper()
	p.do("type into "+selector, chromedp.SendKeys(chromedp.CSS(selector), text))
}

// Press presses keys where the focus is; the package chromedp/kb names the
// special ones (kb.Tab, kb.Enter, kb.Escape).
func (p *Page) Press(keys string) {
	p.tb.Helper()
	p.do("press keys", chromedp.KeyEvent(keys))
}

// Text is the visible text of the first element that matches the CSS selector.
func (p *Page) Text(selector string) string {
	p.tb.Helper()
	return get(p, "read "+selector, chromedp.Text(chromedp.CSS(selector)))
}

// Eval evaluates a JavaScript expression, waits for its promise if it is one, and
// decodes its value.
func Eval[T any](p *Page, expression string) T {
	p.tb.Helper()
	return get(p, "evaluate "+expression, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
}

// Screenshot is a PNG of the whole page, also of what is below the viewport.
func (p *Page) Screenshot() []byte {
	p.tb.Helper()
	return get(p, "take a screenshot", chromedp.FullScreenshot(100))
}

// PDF prints the page, on A4 unless the page's own style names a paper.
func (p *Page) PDF() []byte {
	p.tb.Helper()
	return get(p, "print", chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4), chromedp.PDFPreferCSSPageSize()))
}

// Console lists what the page has written to the console until now: its own
// messages, uncaught errors, failed requests and violations of the content
// security policy. A good page writes nothing.
func (p *Page) Console() []string {
	p.tb.Helper()
	return p.texts(func(chromedp.ConsoleMessage) bool { return true })
}

// Violations lists the violations of the content security policy until now.
func (p *Page) Violations() []string {
	p.tb.Helper()
	return p.texts(func(m chromedp.ConsoleMessage) bool {
		return strings.Contains(m.Text, "Content Security Policy")
	})
}

// AxeViolation is an accessibility rule that the page breaks, and where.
type AxeViolation struct {
	Rule   string
	Impact string
	Help   string
	Where  []string // CSS selectors
}

func (v AxeViolation) String() string {
	return fmt.Sprintf("%s (%s): %s, at %s", v.Rule, v.Impact, v.Help, strings.Join(v.Where, "; "))
}

// Axe checks the whole page as it stands against WCAG 2.2 AA with axe-core.
func (p *Page) Axe() []AxeViolation {
	p.tb.Helper()
	return axe[[]AxeViolation](p, `axe.run(document, {
		runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], resultTypes: ["violations"],
	}).then(r => r.violations.map(v => ({
		Rule: v.id, Impact: v.impact, Help: v.help, Where: v.nodes.map(n => n.target.flat(9).join(" ")),
	})))`)
}

//go:embed templates.js
var templates string

// AxeTemplates is Axe for a page that was checked as a whole at another size: without the
// rules that look at colours, and of rows that are built alike the first; see templates.js.
func (p *Page) AxeTemplates() []AxeViolation {
	p.tb.Helper()
	return axe[[]AxeViolation](p, templates+"()")
}

// Looks remembers how texts looked that axe-core has judged, so that those of the same
// look need not be judged again on other pages, at other widths and in other rows.
type Looks struct {
	mu     sync.Mutex
	judged map[string]bool
}

//go:embed looks.js
var looksOf string

// AxeColours holds the texts of the page to the rules of axe-core that look at colours,
// three at most of each look that is not known yet; see looks.js. A look is known when
// axe-core has found nothing wrong with it.
func (p *Page) AxeColours(known *Looks) []AxeViolation {
	p.tb.Helper()
	known.mu.Lock()
	list, err := json.Marshal(slices.Collect(maps.Keys(known.judged)))
	known.mu.Unlock()
	if err != nil {
		p.tb.Fatal(err)
	}
	return p.looks(known, "(new Set("+string(list)+"), false)")
}

// AxeAll is Axe, from which the looks of the page's texts are known too.
func (p *Page) AxeAll(known *Looks) []AxeViolation {
	p.tb.Helper()
	return p.looks(known, "(new Set(), true)")
}

func (p *Page) looks(known *Looks, arguments string) []AxeViolation {
	p.tb.Helper()
	found := axe[struct {
		Judged     []string
		Violations []AxeViolation
	}](p, looksOf+arguments)
	known.mu.Lock()
	defer known.mu.Unlock()
	if known.judged == nil {
		known.judged = map[string]bool{}
	}
	for _, look := range found.Judged {
		known.judged[look] = true
	}
	return found.Violations
}

// axe loads axe-core and evaluates an expression that asks it.
func axe[T any](p *Page, expression string) (found T) {
	p.tb.Helper()
	source, err := os.ReadFile(filepath.Join(root(p.tb), "node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		p.tb.Fatal("axe-core not found: run `make assets`")
	}
	if !Eval[bool](p, `"axe" in window`) {
		get(p, "load axe-core", chromedp.Evaluate[chromedp.Void](string(source)))
	}
	// The answer travels as text: its nodes are trees of depth that the protocol cuts.
	answer := Eval[string](p, "("+expression+").then(a => JSON.stringify(a))")
	if err := json.Unmarshal([]byte(answer), &found); err != nil {
		p.tb.Fatalf("read the answer of axe-core: %v", err)
	}
	return found
}

func (p *Page) listen(messages func(yield func(chromedp.ConsoleMessage, error) bool)) {
	for m, err := range messages {
		p.mu.Lock()
		if err == nil {
			p.messages = append(p.messages, m)
		}
		p.changed.Broadcast()
		p.mu.Unlock()
	}
	p.mu.Lock()
	p.ended = true
	p.changed.Broadcast()
	p.mu.Unlock()
}

// texts first lets the page write a mark and waits for it: messages arrive on
// their own time, but in order.
func (p *Page) texts(wanted func(chromedp.ConsoleMessage) bool) []string {
	p.tb.Helper()
	p.flushes++
	mark := fmt.Sprintf("browsertest: end of message list %d", p.flushes)
	get(p, "read the console", chromedp.Evaluate[chromedp.Void](fmt.Sprintf("console.debug(%q)", mark)))

	p.mu.Lock()
	defer p.mu.Unlock()
	late := false
	limit := time.AfterFunc(patience, func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		late = true
		p.changed.Broadcast()
	})
	defer limit.Stop()
	for !p.ended && !p.has(mark) {
		if p.changed.Wait(); late {
			p.check("wait for what the console says", context.DeadlineExceeded)
		}
	}
	var texts []string
	for _, m := range p.messages {
		if wanted(m) && !strings.HasPrefix(m.Text, "browsertest: end of message list ") {
			texts = append(texts, strings.TrimSuffix(m.String()+" at "+m.URL, " at "))
		}
	}
	return texts
}

func (p *Page) has(text string) bool {
	for _, m := range p.messages {
		if m.Text == text {
			return true
		}
	}
	return false
}

func (p *Page) do(what string, step chromedp.Action[chromedp.Void]) {
	p.tb.Helper()
	get(p, what, step)
}

func get[T any](p *Page, what string, step chromedp.Action[T]) T {
	p.tb.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	value, err := chromedp.Run(ctx, step)
	p.check(what, err)
	return value
}

func (p *Page) check(what string, err error) {
	p.tb.Helper()
	must(p.tb, what, err)
}

// must ends the test where a step failed; where it hung, with all goroutines.
func must(tb testing.TB, what string, err error) {
	tb.Helper()
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		var all bytes.Buffer
		_ = pprof.Lookup("goroutine").WriteTo(&all, 2)
		tb.Fatalf("%s: hangs, given up after %s; all goroutines:\n%s", what, patience, &all)
	case err != nil:
		tb.Fatalf("%s: %v", what, err)
	}
}

// root is the folder of go.mod: tests run in the folder of their package.
func root(tb testing.TB) string {
	tb.Helper()
	dir, err := os.Getwd()
	if err != nil {
		tb.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			tb.Fatal("no go.mod above the test")
		}
		dir = parent
	}
}
