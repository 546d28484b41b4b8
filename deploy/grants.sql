-- Rights in the PostgreSQL database, for the role that owns the tables (the one that runs `titration database migrate`).
-- Run it after each migration; running it again changes nothing. Then grant the roles to your login roles:
--   GRANT titration_worker TO clinic_titration;      the service
--   GRANT titration_eraser TO clinic_data_protection; `titration patient erase`, and nothing else

DO $$
DECLARE
    wanted text;
BEGIN
    FOREACH wanted IN ARRAY ARRAY['titration_worker', 'titration_eraser'] LOOP
        BEGIN
            EXECUTE format('CREATE ROLE %I NOLOGIN', wanted);
        EXCEPTION WHEN duplicate_object OR unique_violation THEN
            NULL; -- there already
        END;
    END LOOP;
END $$;

REVOKE ALL ON ALL TABLES IN SCHEMA public FROM PUBLIC, titration_worker, titration_eraser;
GRANT USAGE ON SCHEMA public TO titration_worker, titration_eraser;
GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO titration_worker;
GRANT SELECT ON ALL TABLES IN SCHEMA public TO titration_worker, titration_eraser;

-- What is only ever added to. The worker can neither change nor remove it.
GRANT INSERT ON fact, decision, decision_content, checkpoint, checkpoint_head, policy, policy_adoption, mode_change TO titration_worker;

-- What moves on.
GRANT INSERT, UPDATE ON patient, chain, course, communication, sent_resource, outbox, unmapped_code, digest TO titration_worker;
GRANT INSERT, UPDATE, DELETE ON waiting, quarantine, read_position, staged_resource TO titration_worker;

-- An erasure removes whatever tells of a patient, and adds the entry that says so to the end of the chain. The links stay.
GRANT INSERT ON decision, decision_content, chain, erased_patient TO titration_eraser;
GRANT UPDATE ON chain, patient TO titration_eraser;
GRANT DELETE ON patient, fact, course, communication, sent_resource, outbox, quarantine, waiting, staged_resource, decision_content TO titration_eraser;

-- Quartz keeps its own tables in the same database.
DO $$
DECLARE
    quartz record;
BEGIN
    FOR quartz IN SELECT tablename FROM pg_tables WHERE schemaname = 'public' AND tablename LIKE 'qrtz\_%' LOOP
        EXECUTE format('GRANT INSERT, UPDATE, DELETE ON %I TO titration_worker', quartz.tablename);
    END LOOP;
END $$;
