-- +goose Up
-- The patient of a version that names no stay: it is of the patient's stay that covers its time.
ALTER TABLE fact_versions ADD COLUMN patient_id text COLLATE "C" NOT NULL DEFAULT '';
CREATE INDEX fact_versions_patient ON fact_versions (patient_id) WHERE patient_id <> '';

-- The patients that any version of a stay names.
CREATE TABLE stay_patients (
    stay_id    text   COLLATE "C" NOT NULL,
    patient_id text   COLLATE "C" NOT NULL,
    PRIMARY KEY (stay_id, patient_id)
);
CREATE INDEX stay_patients_patient ON stay_patients (patient_id);
INSERT INTO stay_patients (stay_id, patient_id)
    SELECT DISTINCT source_id, body::json ->> 'patient_id' FROM fact_versions WHERE kind = 'stays' AND body IS NOT NULL;

-- The versions that count, name a patient alone, and wait for a stay of the patient's.
CREATE TABLE waiting_for_patient (
    version_id bigint NOT NULL PRIMARY KEY,
    kind       text   COLLATE "C" NOT NULL,
    source_id  text   COLLATE "C" NOT NULL
);
CREATE INDEX waiting_for_patient_fact ON waiting_for_patient (kind, source_id);
