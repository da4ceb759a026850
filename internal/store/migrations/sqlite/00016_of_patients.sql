-- +goose Up
-- The patient of a version that names no stay: it is of the patient's stay that covers its time.
ALTER TABLE fact_versions ADD COLUMN patient_id TEXT NOT NULL DEFAULT '';
CREATE INDEX fact_versions_patient ON fact_versions (patient_id) WHERE patient_id <> '';

-- The patients that any version of a stay names.
CREATE TABLE stay_patients (
    stay_id    TEXT    NOT NULL,
    patient_id TEXT    NOT NULL,
    PRIMARY KEY (stay_id, patient_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX stay_patients_patient ON stay_patients (patient_id);
INSERT INTO stay_patients (stay_id, patient_id)
    SELECT DISTINCT source_id, json_extract(body, '$.patient_id') FROM fact_versions WHERE kind = 'stays' AND body IS NOT NULL;

-- The versions that count, name a patient alone, and wait for a stay of the patient's.
CREATE TABLE waiting_for_patient (
    version_id INTEGER NOT NULL PRIMARY KEY,
    kind       TEXT    NOT NULL,
    source_id  TEXT    NOT NULL
) STRICT;
CREATE INDEX waiting_for_patient_fact ON waiting_for_patient (kind, source_id);
