using System;
using Microsoft.EntityFrameworkCore.Migrations;

#nullable disable

namespace Titration.Storage.Migrations.Sqlite
{
    /// <inheritdoc />
    public partial class Initial : Migration
    {
        /// <inheritdoc />
        protected override void Up(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.CreateTable(
                name: "chain",
                columns: table => new
                {
                    id = table.Column<Guid>(type: "TEXT", nullable: false),
                    length = table.Column<long>(type: "INTEGER", nullable: false),
                    head = table.Column<byte[]>(type: "BLOB", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_chain", x => x.id);
                });

            migrationBuilder.CreateTable(
                name: "checkpoint",
                columns: table => new
                {
                    id = table.Column<long>(type: "INTEGER", nullable: false),
                    at = table.Column<long>(type: "INTEGER", nullable: false),
                    root_hash = table.Column<byte[]>(type: "BLOB", nullable: false),
                    signature = table.Column<byte[]>(type: "BLOB", nullable: true),
                    decisions = table.Column<long>(type: "INTEGER", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_checkpoint", x => x.id);
                });

            migrationBuilder.CreateTable(
                name: "erased_patient",
                columns: table => new
                {
                    mark = table.Column<byte[]>(type: "BLOB", nullable: false),
                    erased_at = table.Column<long>(type: "INTEGER", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_erased_patient", x => x.mark);
                });

            migrationBuilder.CreateTable(
                name: "patient",
                columns: table => new
                {
                    id = table.Column<string>(type: "TEXT", nullable: false),
                    version = table.Column<long>(type: "INTEGER", nullable: false),
                    next_fact_sequence = table.Column<long>(type: "INTEGER", nullable: false),
                    next_outbox_sequence = table.Column<long>(type: "INTEGER", nullable: false),
                    chain_id = table.Column<Guid>(type: "TEXT", nullable: false),
                    next_look = table.Column<long>(type: "INTEGER", nullable: true),
                    last_decided_at = table.Column<long>(type: "INTEGER", nullable: true),
                    leased_until = table.Column<long>(type: "INTEGER", nullable: true)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_patient", x => x.id);
                });

            migrationBuilder.CreateTable(
                name: "policy",
                columns: table => new
                {
                    hash = table.Column<string>(type: "TEXT", nullable: false),
                    effective_from = table.Column<long>(type: "INTEGER", nullable: false),
                    adopted_at = table.Column<long>(type: "INTEGER", nullable: false),
                    content = table.Column<byte[]>(type: "BLOB", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_policy", x => x.hash);
                });

            migrationBuilder.CreateTable(
                name: "quarantine",
                columns: table => new
                {
                    id = table.Column<long>(type: "INTEGER", nullable: false)
                        .Annotation("Sqlite:Autoincrement", true),
                    content_hash = table.Column<byte[]>(type: "BLOB", nullable: false),
                    content = table.Column<byte[]>(type: "BLOB", nullable: false),
                    source = table.Column<string>(type: "TEXT", nullable: false),
                    patient = table.Column<string>(type: "TEXT", nullable: true),
                    reason = table.Column<string>(type: "TEXT", nullable: false),
                    path = table.Column<string>(type: "TEXT", nullable: false),
                    problem = table.Column<string>(type: "TEXT", nullable: false),
                    received_at = table.Column<long>(type: "INTEGER", nullable: false),
                    last_received_at = table.Column<long>(type: "INTEGER", nullable: false),
                    count = table.Column<int>(type: "INTEGER", nullable: false),
                    state = table.Column<string>(type: "TEXT", nullable: false),
                    retried_at = table.Column<long>(type: "INTEGER", nullable: true)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_quarantine", x => x.id);
                });

            migrationBuilder.CreateTable(
                name: "unmapped_code",
                columns: table => new
                {
                    system = table.Column<string>(type: "TEXT", nullable: false),
                    code = table.Column<string>(type: "TEXT", nullable: false),
                    resource_type = table.Column<string>(type: "TEXT", nullable: false),
                    first_seen = table.Column<long>(type: "INTEGER", nullable: false),
                    last_seen = table.Column<long>(type: "INTEGER", nullable: false),
                    count = table.Column<int>(type: "INTEGER", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_unmapped_code", x => new { x.system, x.code });
                });

            migrationBuilder.CreateTable(
                name: "waiting",
                columns: table => new
                {
                    id = table.Column<long>(type: "INTEGER", nullable: false)
                        .Annotation("Sqlite:Autoincrement", true),
                    content_hash = table.Column<byte[]>(type: "BLOB", nullable: false),
                    content = table.Column<byte[]>(type: "BLOB", nullable: false),
                    patient = table.Column<string>(type: "TEXT", nullable: true),
                    reason = table.Column<string>(type: "TEXT", nullable: false),
                    wanted = table.Column<string>(type: "TEXT", nullable: false),
                    received_at = table.Column<long>(type: "INTEGER", nullable: false),
                    trace_parent = table.Column<string>(type: "TEXT", nullable: true),
                    attempts = table.Column<int>(type: "INTEGER", nullable: false),
                    not_before = table.Column<long>(type: "INTEGER", nullable: true)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_waiting", x => x.id);
                });

            migrationBuilder.CreateTable(
                name: "decision",
                columns: table => new
                {
                    chain_id = table.Column<Guid>(type: "TEXT", nullable: false),
                    sequence = table.Column<long>(type: "INTEGER", nullable: false),
                    decided_at = table.Column<long>(type: "INTEGER", nullable: false),
                    policy_hash = table.Column<string>(type: "TEXT", nullable: false),
                    previous_hash = table.Column<byte[]>(type: "BLOB", nullable: false),
                    content_digest = table.Column<byte[]>(type: "BLOB", nullable: false),
                    hash = table.Column<byte[]>(type: "BLOB", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_decision", x => new { x.chain_id, x.sequence });
                    table.ForeignKey(
                        name: "FK_decision_chain_chain_id",
                        column: x => x.chain_id,
                        principalTable: "chain",
                        principalColumn: "id",
                        onDelete: ReferentialAction.Restrict);
                });

            migrationBuilder.CreateTable(
                name: "checkpoint_head",
                columns: table => new
                {
                    chain_id = table.Column<Guid>(type: "TEXT", nullable: false),
                    length = table.Column<long>(type: "INTEGER", nullable: false),
                    head = table.Column<byte[]>(type: "BLOB", nullable: false),
                    checkpoint_id = table.Column<long>(type: "INTEGER", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_checkpoint_head", x => new { x.chain_id, x.length });
                    table.ForeignKey(
                        name: "FK_checkpoint_head_checkpoint_checkpoint_id",
                        column: x => x.checkpoint_id,
                        principalTable: "checkpoint",
                        principalColumn: "id",
                        onDelete: ReferentialAction.Restrict);
                });

            migrationBuilder.CreateTable(
                name: "communication",
                columns: table => new
                {
                    key = table.Column<Guid>(type: "TEXT", nullable: false),
                    patient = table.Column<string>(type: "TEXT", nullable: false),
                    course_id = table.Column<Guid>(type: "TEXT", nullable: true),
                    kind = table.Column<string>(type: "TEXT", nullable: false),
                    cause = table.Column<string>(type: "TEXT", nullable: false),
                    decision_id = table.Column<Guid>(type: "TEXT", nullable: false),
                    closed_by = table.Column<Guid>(type: "TEXT", nullable: true),
                    intent = table.Column<byte[]>(type: "BLOB", nullable: false),
                    state = table.Column<string>(type: "TEXT", nullable: false),
                    opened_at = table.Column<long>(type: "INTEGER", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_communication", x => x.key);
                    table.ForeignKey(
                        name: "FK_communication_patient_patient",
                        column: x => x.patient,
                        principalTable: "patient",
                        principalColumn: "id",
                        onDelete: ReferentialAction.Restrict);
                });

            migrationBuilder.CreateTable(
                name: "course",
                columns: table => new
                {
                    id = table.Column<Guid>(type: "TEXT", nullable: false),
                    patient = table.Column<string>(type: "TEXT", nullable: false),
                    ingredient = table.Column<string>(type: "TEXT", nullable: false),
                    area = table.Column<string>(type: "TEXT", nullable: false),
                    outcome = table.Column<string>(type: "TEXT", nullable: true),
                    step = table.Column<string>(type: "TEXT", nullable: true),
                    step_since = table.Column<DateOnly>(type: "TEXT", nullable: true),
                    next_look = table.Column<long>(type: "INTEGER", nullable: true),
                    evaluation = table.Column<byte[]>(type: "BLOB", nullable: false),
                    evaluated_at = table.Column<long>(type: "INTEGER", nullable: false),
                    policy_hash = table.Column<string>(type: "TEXT", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_course", x => x.id);
                    table.ForeignKey(
                        name: "FK_course_patient_patient",
                        column: x => x.patient,
                        principalTable: "patient",
                        principalColumn: "id",
                        onDelete: ReferentialAction.Restrict);
                });

            migrationBuilder.CreateTable(
                name: "fact",
                columns: table => new
                {
                    patient = table.Column<string>(type: "TEXT", nullable: false),
                    sequence = table.Column<long>(type: "INTEGER", nullable: false),
                    resource_type = table.Column<string>(type: "TEXT", nullable: false),
                    resource_id = table.Column<string>(type: "TEXT", nullable: false),
                    version_id = table.Column<string>(type: "TEXT", nullable: false),
                    content_hash = table.Column<string>(type: "TEXT", nullable: false),
                    last_updated = table.Column<long>(type: "INTEGER", nullable: true),
                    content = table.Column<byte[]>(type: "BLOB", nullable: false),
                    received_at = table.Column<long>(type: "INTEGER", nullable: false),
                    trace_parent = table.Column<string>(type: "TEXT", nullable: true)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_fact", x => new { x.patient, x.sequence });
                    table.ForeignKey(
                        name: "FK_fact_patient_patient",
                        column: x => x.patient,
                        principalTable: "patient",
                        principalColumn: "id",
                        onDelete: ReferentialAction.Restrict);
                });

            migrationBuilder.CreateTable(
                name: "decision_content",
                columns: table => new
                {
                    decision_id = table.Column<Guid>(type: "TEXT", nullable: false),
                    chain_id = table.Column<Guid>(type: "TEXT", nullable: false),
                    sequence = table.Column<long>(type: "INTEGER", nullable: false),
                    patient = table.Column<string>(type: "TEXT", nullable: false),
                    course_id = table.Column<Guid>(type: "TEXT", nullable: true),
                    outcome = table.Column<string>(type: "TEXT", nullable: true),
                    rule = table.Column<string>(type: "TEXT", nullable: false),
                    input_digest = table.Column<string>(type: "TEXT", nullable: false),
                    fact_sequence = table.Column<long>(type: "INTEGER", nullable: false),
                    salt = table.Column<byte[]>(type: "BLOB", nullable: false),
                    content = table.Column<byte[]>(type: "BLOB", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_decision_content", x => x.decision_id);
                    table.ForeignKey(
                        name: "FK_decision_content_decision_chain_id_sequence",
                        columns: x => new { x.chain_id, x.sequence },
                        principalTable: "decision",
                        principalColumns: new[] { "chain_id", "sequence" },
                        onDelete: ReferentialAction.Restrict);
                });

            migrationBuilder.CreateTable(
                name: "outbox",
                columns: table => new
                {
                    id = table.Column<long>(type: "INTEGER", nullable: false)
                        .Annotation("Sqlite:Autoincrement", true),
                    patient = table.Column<string>(type: "TEXT", nullable: false),
                    sequence = table.Column<long>(type: "INTEGER", nullable: false),
                    rank = table.Column<int>(type: "INTEGER", nullable: false),
                    action = table.Column<string>(type: "TEXT", nullable: false),
                    kind = table.Column<string>(type: "TEXT", nullable: false),
                    communication_key = table.Column<Guid>(type: "TEXT", nullable: false),
                    decision_id = table.Column<Guid>(type: "TEXT", nullable: false),
                    state = table.Column<string>(type: "TEXT", nullable: false),
                    attempts = table.Column<int>(type: "INTEGER", nullable: false),
                    not_before = table.Column<long>(type: "INTEGER", nullable: true),
                    lease_until = table.Column<long>(type: "INTEGER", nullable: true),
                    fence = table.Column<long>(type: "INTEGER", nullable: false),
                    problem = table.Column<string>(type: "TEXT", nullable: true),
                    created_at = table.Column<long>(type: "INTEGER", nullable: false),
                    sent_at = table.Column<long>(type: "INTEGER", nullable: true),
                    trace_parent = table.Column<string>(type: "TEXT", nullable: true)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_outbox", x => x.id);
                    table.ForeignKey(
                        name: "FK_outbox_communication_communication_key",
                        column: x => x.communication_key,
                        principalTable: "communication",
                        principalColumn: "key",
                        onDelete: ReferentialAction.Restrict);
                });

            migrationBuilder.CreateTable(
                name: "sent_resource",
                columns: table => new
                {
                    communication_key = table.Column<Guid>(type: "TEXT", nullable: false),
                    role = table.Column<string>(type: "TEXT", nullable: false),
                    resource_type = table.Column<string>(type: "TEXT", nullable: false),
                    server_id = table.Column<string>(type: "TEXT", nullable: false),
                    version_id = table.Column<string>(type: "TEXT", nullable: true)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_sent_resource", x => new { x.communication_key, x.role });
                    table.ForeignKey(
                        name: "FK_sent_resource_communication_communication_key",
                        column: x => x.communication_key,
                        principalTable: "communication",
                        principalColumn: "key",
                        onDelete: ReferentialAction.Restrict);
                });

            migrationBuilder.CreateIndex(
                name: "IX_checkpoint_head_checkpoint_id",
                table: "checkpoint_head",
                column: "checkpoint_id");

            migrationBuilder.CreateIndex(
                name: "IX_communication_patient",
                table: "communication",
                column: "patient");

            migrationBuilder.CreateIndex(
                name: "IX_course_patient",
                table: "course",
                column: "patient");

            migrationBuilder.CreateIndex(
                name: "IX_decision_content_chain_id_sequence",
                table: "decision_content",
                columns: new[] { "chain_id", "sequence" },
                unique: true);

            migrationBuilder.CreateIndex(
                name: "IX_decision_content_patient_sequence",
                table: "decision_content",
                columns: new[] { "patient", "sequence" });

            migrationBuilder.CreateIndex(
                name: "IX_fact_resource_type_resource_id_version_id_content_hash_patient",
                table: "fact",
                columns: new[] { "resource_type", "resource_id", "version_id", "content_hash", "patient" },
                unique: true);

            migrationBuilder.CreateIndex(
                name: "IX_outbox_communication_key_sequence",
                table: "outbox",
                columns: new[] { "communication_key", "sequence" });

            migrationBuilder.CreateIndex(
                name: "IX_outbox_patient_sequence",
                table: "outbox",
                columns: new[] { "patient", "sequence" },
                unique: true);

            migrationBuilder.CreateIndex(
                name: "IX_outbox_rank_id",
                table: "outbox",
                columns: new[] { "rank", "id" },
                filter: "state IN ('pending', 'leased')");

            migrationBuilder.CreateIndex(
                name: "IX_patient_chain_id",
                table: "patient",
                column: "chain_id",
                unique: true);

            migrationBuilder.CreateIndex(
                name: "IX_patient_next_look",
                table: "patient",
                column: "next_look",
                filter: "next_look IS NOT NULL");

            migrationBuilder.CreateIndex(
                name: "IX_quarantine_content_hash",
                table: "quarantine",
                column: "content_hash",
                unique: true);

            migrationBuilder.CreateIndex(
                name: "IX_quarantine_patient",
                table: "quarantine",
                column: "patient",
                filter: "patient IS NOT NULL");

            migrationBuilder.CreateIndex(
                name: "IX_sent_resource_resource_type_server_id",
                table: "sent_resource",
                columns: new[] { "resource_type", "server_id" });

            migrationBuilder.CreateIndex(
                name: "IX_waiting_content_hash",
                table: "waiting",
                column: "content_hash",
                unique: true);

            migrationBuilder.CreateIndex(
                name: "IX_waiting_not_before",
                table: "waiting",
                column: "not_before",
                filter: "not_before IS NOT NULL");

            migrationBuilder.CreateIndex(
                name: "IX_waiting_patient",
                table: "waiting",
                column: "patient",
                filter: "patient IS NOT NULL");
        }

        /// <inheritdoc />
        protected override void Down(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.DropTable(
                name: "checkpoint_head");

            migrationBuilder.DropTable(
                name: "course");

            migrationBuilder.DropTable(
                name: "decision_content");

            migrationBuilder.DropTable(
                name: "erased_patient");

            migrationBuilder.DropTable(
                name: "fact");

            migrationBuilder.DropTable(
                name: "outbox");

            migrationBuilder.DropTable(
                name: "policy");

            migrationBuilder.DropTable(
                name: "quarantine");

            migrationBuilder.DropTable(
                name: "sent_resource");

            migrationBuilder.DropTable(
                name: "unmapped_code");

            migrationBuilder.DropTable(
                name: "waiting");

            migrationBuilder.DropTable(
                name: "checkpoint");

            migrationBuilder.DropTable(
                name: "decision");

            migrationBuilder.DropTable(
                name: "communication");

            migrationBuilder.DropTable(
                name: "chain");

            migrationBuilder.DropTable(
                name: "patient");
        }
    }
}
