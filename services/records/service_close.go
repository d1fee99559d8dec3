package records

import (
	"context"
	"encoding/hex"
	"strconv"

	"github.com/jackc/pgx/v5"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
)

// CloseMonth signs where the ledger stood when a month had ended.
func (s *Service) CloseMonth(ctx context.Context, request *recordsv1.CloseMonthRequest) (*recordsv1.Close, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	if s.key == nil {
		return nil, noKey("no month can be closed: an unsigned close proves nothing")
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*recordsv1.Close, error) {
		nursery, err := identity.ReadNursery(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		now := s.db.Now()
		m, err := readMonth(request.GetMonth(), nursery.Zone, now)
		if err != nil {
			return nil, err
		}
		c := closing{
			Nursery: nursery.ID, Number: 1, Month: m.name, TimeZone: nursery.Zone.String(), BeginTime: m.begin, EndTime: m.end,
			PrevClose: noClose(), Closer: caller.Name(), CloseTime: now,
		}
		added, err := appendClose(ctx, tx, m, c, s.key)
		if err != nil {
			return nil, err
		}
		return added.contract(nil)
	})
}

// appendClose signs a close after the last one and adds it. Appends to the ledger
// wait meanwhile, so that no entry slips between the count and the signature.
func appendClose(ctx context.Context, tx pgx.Tx, m month, c closing, key *SigningKey) (closeRow, error) {
	if _, err := lockHead(ctx, tx, c.Nursery); err != nil {
		return closeRow{}, err
	}
	last, err := lastClose(ctx, tx, c.Nursery)
	if err != nil {
		return closeRow{}, err
	}
	if err := m.refuseOrder(c.Nursery, last); err != nil {
		return closeRow{}, err
	}
	if last != nil {
		c.Number, c.PrevClose = last.number+1, last.hash()
	}
	if c, err = standAt(ctx, tx, c); err != nil {
		return closeRow{}, err
	}
	at, _, err := hashAt(ctx, tx, c.Nursery, c.LastSequence)
	if err != nil {
		return closeRow{}, err
	}
	c.Head = hex.EncodeToString(at.hash)
	signed, err := c.sign(key)
	if err != nil {
		return closeRow{}, err
	}
	return signed, insertClose(ctx, tx, c.Nursery, signed)
}

// ListCloses returns the signed closes, the oldest first.
func (s *Service) ListCloses(ctx context.Context, request *recordsv1.ListClosesRequest) (*recordsv1.ListClosesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	after, err := page.Number(0)
	if err != nil {
		return nil, err
	}
	closes, err := listCloses(ctx, s.db, ids[0], after, page.Size+1)
	if err != nil {
		return nil, err
	}
	closes, next := rpc.Cut(page, closes, func(c closeRow) []string { return []string{strconv.FormatInt(c.number, 10)} })
	late, err := lateOf(ctx, s.db, ids[0], closes)
	if err != nil {
		return nil, err
	}
	response := &recordsv1.ListClosesResponse{NextPageToken: next}
	for _, c := range closes {
		message, err := c.contract(late[c.month])
		if err != nil {
			return nil, err
		}
		response.Closes = append(response.Closes, message)
	}
	return response, nil
}
