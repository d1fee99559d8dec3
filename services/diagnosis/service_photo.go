package diagnosis

import (
	"context"
	"errors"
	"io"

	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// UploadPhoto adds a photo to an inspection. It needs no request id: the same
// bytes are the same photo.
func (s *Service) UploadPhoto(stream diagnosisv1.DiagnosisService_UploadPhotoServer) error {
	ctx := stream.Context()
	caller, err := rpc.Caller(ctx)
	if err != nil {
		return err
	}
	first, err := stream.Recv()
	if errors.Is(err, io.EOF) {
		return fault.Field("parent", "the first message must name the inspection")
	}
	if err != nil {
		return err
	}
	ids, err := resource.Parse("parent", first.GetParent(), "nurseries", "inspections")
	if err != nil {
		return err
	}
	nursery, inspection := ids[0], ids[1]
	if err := checkInspections(ctx, s.db, nursery, []string{inspection}); err != nil {
		return err
	}
	arrived, err := s.receive(stream, nursery, first.GetData())
	if err != nil {
		return err
	}
	for _, shown := range first.GetShows() {
		arrived.Shows = append(arrived.Shows, photoSign{Organ: storedOrgan(shown.GetOrgan()), Sign: shown.GetSign()})
	}
	kept, err := s.enter(ctx, nursery, inspection, caller.Person, arrived)
	if err != nil {
		return err
	}
	return stream.SendAndClose(kept.contract(nursery, inspection))
}

// receive takes the bytes of a photo and puts its file in place.
func (s *Service) receive(stream diagnosisv1.DiagnosisService_UploadPhotoServer, nursery string, data []byte) (_ photo, err error) {
	arriving, err := s.album.begin(nursery)
	if err != nil {
		return photo{}, err
	}
	defer func() { err = errors.Join(err, arriving.drop()) }()
	for {
		if err := arriving.add(data); err != nil {
			return photo{}, err
		}
		next, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return arriving.keep(stream.Context())
		}
		if err != nil {
			return photo{}, err
		}
		if next.GetParent() != "" {
			return photo{}, fault.Field("parent", "only the first message names the inspection")
		}
		if len(next.GetShows()) > 0 {
			return photo{}, fault.Field("shows", "only the first message says what the photo shows")
		}
		data = next.GetData()
	}
}

// enter writes the row of a photo whose file is in place, and returns the row
// that was there before if there was one.
func (s *Service) enter(ctx context.Context, nursery, inspection, uploader string, arrived photo) (photo, error) {
	var kept photo
	err := s.db.InTx(ctx, func(tx pgx.Tx) error {
		arrived.CreateTime = s.db.Now()
		if err := insertPhoto(ctx, tx, nursery, inspection, uploader, arrived); err != nil {
			return err
		}
		if err := insertPhotoSigns(ctx, tx, nursery, inspection, arrived.SHA256, arrived.Shows); err != nil {
			return err
		}
		var err error
		kept, _, err = readPhoto(ctx, tx, nursery, inspection, arrived.SHA256)
		return err
	})
	return kept, err
}

// pieceSize is how many bytes of a photo go in one message.
const pieceSize = 256 << 10

// DownloadPhoto returns the bytes of a photo, or of its thumbnail. The file is read
// against its hash before the first byte leaves, so that nobody is shown a damaged
// one.
func (s *Service) DownloadPhoto(request *diagnosisv1.DownloadPhotoRequest, stream diagnosisv1.DiagnosisService_DownloadPhotoServer) (err error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "inspections", "photos")
	if err != nil {
		return err
	}
	kept, found, err := readPhoto(stream.Context(), s.db, ids[0], ids[1], ids[2])
	if err != nil {
		return err
	}
	if !found {
		return fault.Missing("photo", request.GetName())
	}
	if request.GetThumbnail() {
		small, err := s.album.thumbnail(stream.Context(), ids[0], request.GetName(), kept.SHA256)
		if err != nil {
			return err
		}
		return stream.Send(&diagnosisv1.DownloadPhotoResponse{Data: small})
	}
	file, err := s.album.open(ids[0], request.GetName(), kept.SHA256)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	piece := make([]byte, pieceSize)
	for {
		n, err := file.Read(piece)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return lost(request.GetName(), "cannot be read").Because(err)
		}
		if err := stream.Send(&diagnosisv1.DownloadPhotoResponse{Data: piece[:n]}); err != nil {
			return err
		}
	}
}
