package notify

import (
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"
)

// Settings are the settings of telling, checked.
type Settings struct {
	Channels       []Channel
	Names          bool
	Quiet          Quiet
	BriefingBefore time.Duration
	PublicURL      string
}

// maxBefore bounds digest-before: the briefing of a day lies within half a day.
const maxBefore = 12 * time.Hour

// ReadSettings checks the settings by their names. The error says which is wrong
// and what it may be, and holds no secret.
func ReadSettings(v map[string]string) (s Settings, err error) {
	if s.Names, err = yesNo("notify-names", v); err != nil {
		return s, err
	}
	if s.Quiet, err = ParseQuiet(v["quiet-hours"]); err != nil {
		return s, fmt.Errorf("quiet-hours: %w", err)
	}
	s.BriefingBefore, err = time.ParseDuration(v["digest-before"])
	if err != nil || s.BriefingBefore < 0 || s.BriefingBefore > maxBefore {
		return s, fmt.Errorf("digest-before %q is not a duration from 0m to 12h, such as 30m", v["digest-before"])
	}
	if s.PublicURL, err = publicURL(v["public-url"]); err != nil {
		return s, err
	}
	if v["webhook-url"] != "" {
		w, err := NewWebhook(v["webhook-url"], v["webhook-secret"])
		if err != nil {
			return s, err
		}
		s.Channels = append(s.Channels, w)
	}
	if v["smtp-address"] != "" {
		m := MailSettings{Address: v["smtp-address"], User: v["smtp-user"], Password: v["smtp-password"], From: v["smtp-from"], To: v["smtp-to"]}
		if m.Now, err = yesNo("smtp-now", v); err != nil {
			return s, err
		}
		channel, err := NewMail(m, s.PublicURL)
		if err != nil {
			return s, err
		}
		s.Channels = append(s.Channels, channel)
	}
	return s, nil
}

func yesNo(name string, v map[string]string) (bool, error) {
	switch v[name] {
	case "yes":
		return true, nil
	case "no", "":
		return false, nil
	}
	return false, fmt.Errorf("%s %q is neither yes nor no", name, v[name])
}

func publicURL(s string) (string, error) {
	if s == "" {
		return "", nil
	}
	u, err := url.Parse(s)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.User != nil || u.RawQuery != "" || u.Fragment != "" {
		return "", errors.New("public-url is no address of the pages; write it as https://falls.hospital.example")
	}
	return strings.TrimRight(s, "/"), nil
}
