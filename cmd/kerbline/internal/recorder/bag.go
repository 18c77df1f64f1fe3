package recorder

import (
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net/url"

	_ "modernc.org/sqlite" // registers the driver

	"kerbline/fusion"
)

// bagMagic begins every SQLite 3 database (sqlite.org, Database File Format, 1.3).
const bagMagic = "SQLite format 3\x00"

// bag reads a recording that robotics middleware stored in an SQLite database:
// a table of topics and one of messages in CDR, each with the time at which it
// was recorded, ns.
type bag struct {
	db    *sql.DB
	types map[int64]bagTopic
	rows  *sql.Rows
	data  sql.RawBytes
}

type bagTopic struct{ name, schema string }

// bagMessage is one message; data is valid until the next.
type bagMessage struct {
	ch     fusion.Channel
	schema string
	ns     int64
	data   []byte
}

func openBag(path string) (*bag, error) {
	// Read only, and not even a journal is written beside the file.
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?mode=ro&immutable=1")
	if err != nil {
		return nil, fmt.Errorf("recorder: %s: %w", path, err)
	}
	b := &bag{db: db, types: map[int64]bagTopic{}}
	rows, err := db.Query("SELECT id, name, type, serialization_format FROM topics")
	if err != nil {
		return nil, errors.Join(fmt.Errorf("recorder: %s: %w, want a bag with a table of topics", path, err), db.Close())
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var t bagTopic
		var format string
		if err := rows.Scan(&id, &t.name, &t.schema, &format); err != nil {
			return nil, errors.Join(fmt.Errorf("recorder: %s: %w, want a bag with a table of topics", path, err), db.Close())
		}
		if t.schema = plainSchema(t.schema); format != "cdr" {
			t.schema += " (" + format + ")" // nothing reads it
		}
		b.types[id] = t
	}
	if err := rows.Err(); err != nil {
		return nil, errors.Join(fmt.Errorf("recorder: %s: %w", path, err), db.Close())
	}
	return b, nil
}

func (b *bag) close() error {
	if b == nil {
		return nil
	}
	if b.rows != nil {
		b.rows.Close()
	}
	return b.db.Close()
}

// topics lists them with their counts.
func (b *bag) topics() ([]Topic, error) {
	counts := map[int64]uint64{}
	rows, err := b.db.Query("SELECT topic_id, count(*) FROM messages GROUP BY topic_id")
	if err != nil {
		return nil, fmt.Errorf("recorder: %w, want a bag with a table of messages", err)
	}
	defer rows.Close()
	for rows.Next() {
		var id int64
		var n uint64
		if err := rows.Scan(&id, &n); err != nil {
			return nil, fmt.Errorf("recorder: %w", err)
		}
		counts[id] = n
	}
	var list []Topic
	for id, t := range b.types {
		list = append(list, Topic{Name: t.name, Schema: t.schema, Encoding: "cdr", Count: counts[id]})
	}
	sortTopics(list)
	return list, rows.Err()
}

// next returns the next message of a topic that becomes a channel, in the order
// of time. A damaged database ends where it can be read no further.
func (b *bag) next(of func(topic string) (fusion.Channel, bool)) (m bagMessage, err error) {
	if b.rows == nil {
		if b.rows, err = b.db.Query("SELECT topic_id, timestamp, data FROM messages ORDER BY timestamp, id"); err != nil {
			return m, fmt.Errorf("recorder: %w, want a bag with a table of messages", err)
		}
	}
	for b.rows.Next() {
		var id int64
		if err := b.rows.Scan(&id, &m.ns, &b.data); err != nil {
			return m, fmt.Errorf("recorder: %w", err)
		}
		t := b.types[id]
		var ok bool
		if m.ch, ok = of(t.name); ok {
			m.schema, m.data = t.schema, b.data
			return m, nil
		}
	}
	if err := b.rows.Err(); err != nil {
		return m, fmt.Errorf("recorder: %w", err)
	}
	return m, io.EOF
}
