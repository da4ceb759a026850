package auth

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"encoding/base64"

	"plumbline/internal/clinical"
)

// Seal encrypts what a browser keeps for the program, so that it can neither be read
// nor made up nor used for another purpose (AES-256-GCM under a key of the server,
// with a random nonce; the purpose is authenticated with it).
func (s *Service) Seal(ctx context.Context, purpose string, plain []byte) (string, error) {
	box, err := s.box(ctx)
	if err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(box.Seal(nil, nil, plain, []byte(purpose))), nil
}

// Unseal returns what was sealed for a purpose. The error carries clinical.Invalid
// for what was not sealed by this program, or for something else.
func (s *Service) Unseal(ctx context.Context, purpose, sealed string) ([]byte, error) {
	box, err := s.box(ctx)
	if err != nil {
		return nil, err
	}
	raw, err := base64.RawURLEncoding.DecodeString(sealed)
	if err == nil {
		raw, err = box.Open(nil, nil, raw, []byte(purpose))
	}
	if err != nil {
		return nil, clinical.Errorf(clinical.Invalid, "this was not sealed by this program")
	}
	return raw, nil
}

func (s *Service) box(ctx context.Context) (cipher.AEAD, error) {
	key, err := s.key(ctx, sealKey)
	if err != nil {
		return nil, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCMWithRandomNonce(block)
}
