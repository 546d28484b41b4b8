using Microsoft.EntityFrameworkCore.Migrations;

#nullable disable

namespace Titration.Storage.Migrations.Sqlite
{
    /// <inheritdoc />
    public partial class LedgerFacts : Migration
    {
        /// <inheritdoc />
        protected override void Up(MigrationBuilder migrationBuilder)
        {
            // Their salted digests cannot be made afterwards: a record that began without them is refused by a constraint with a name that says so.
            migrationBuilder.Sql("CREATE TABLE facts_of_an_earlier_build_have_no_digests (n integer CONSTRAINT start_with_an_empty_database CHECK (n = 0));");
            migrationBuilder.Sql("INSERT INTO facts_of_an_earlier_build_have_no_digests SELECT count(*) FROM fact;");
            migrationBuilder.Sql("DROP TABLE facts_of_an_earlier_build_have_no_digests;");

            migrationBuilder.DropPrimaryKey(
                name: "PK_checkpoint_head",
                table: "checkpoint_head");

            migrationBuilder.DropColumn(
                name: "adopted_at",
                table: "policy");

            migrationBuilder.RenameColumn(
                name: "effective_from",
                table: "policy",
                newName: "recorded_at");

            migrationBuilder.AddColumn<byte[]>(
                name: "hash",
                table: "fact",
                type: "BLOB",
                nullable: false,
                defaultValue: new byte[0]);

            migrationBuilder.AddColumn<byte[]>(
                name: "salt",
                table: "fact",
                type: "BLOB",
                nullable: false,
                defaultValue: new byte[0]);

            migrationBuilder.AddColumn<byte[]>(
                name: "fact_head",
                table: "decision_content",
                type: "BLOB",
                nullable: false,
                defaultValue: new byte[0]);

            migrationBuilder.AddColumn<byte[]>(
                name: "fact_head",
                table: "checkpoint_head",
                type: "BLOB",
                nullable: false,
                defaultValue: new byte[0]);

            migrationBuilder.AddColumn<long>(
                name: "facts",
                table: "checkpoint_head",
                type: "INTEGER",
                nullable: false,
                defaultValue: 0L);

            migrationBuilder.AddColumn<long>(
                name: "facts",
                table: "checkpoint",
                type: "INTEGER",
                nullable: false,
                defaultValue: 0L);

            migrationBuilder.AddColumn<byte[]>(
                name: "fact_head",
                table: "chain",
                type: "BLOB",
                nullable: false,
                defaultValue: new byte[0]);

            migrationBuilder.AddColumn<long>(
                name: "facts",
                table: "chain",
                type: "INTEGER",
                nullable: false,
                defaultValue: 0L);

            migrationBuilder.AddPrimaryKey(
                name: "PK_checkpoint_head",
                table: "checkpoint_head",
                columns: new[] { "chain_id", "checkpoint_id" });

            migrationBuilder.CreateTable(
                name: "policy_adoption",
                columns: table => new
                {
                    id = table.Column<long>(type: "INTEGER", nullable: false)
                        .Annotation("Sqlite:Autoincrement", true),
                    policy_hash = table.Column<string>(type: "TEXT", nullable: false),
                    effective_from = table.Column<long>(type: "INTEGER", nullable: false),
                    adopted_at = table.Column<long>(type: "INTEGER", nullable: false)
                },
                constraints: table =>
                {
                    table.PrimaryKey("PK_policy_adoption", x => x.id);
                    table.ForeignKey(
                        name: "FK_policy_adoption_policy_policy_hash",
                        column: x => x.policy_hash,
                        principalTable: "policy",
                        principalColumn: "hash",
                        onDelete: ReferentialAction.Restrict);
                });

            migrationBuilder.CreateIndex(
                name: "IX_policy_adoption_effective_from",
                table: "policy_adoption",
                column: "effective_from");

            migrationBuilder.CreateIndex(
                name: "IX_policy_adoption_policy_hash",
                table: "policy_adoption",
                column: "policy_hash");
        }

        /// <inheritdoc />
        protected override void Down(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.DropTable(
                name: "policy_adoption");

            migrationBuilder.DropPrimaryKey(
                name: "PK_checkpoint_head",
                table: "checkpoint_head");

            migrationBuilder.DropColumn(
                name: "hash",
                table: "fact");

            migrationBuilder.DropColumn(
                name: "salt",
                table: "fact");

            migrationBuilder.DropColumn(
                name: "fact_head",
                table: "decision_content");

            migrationBuilder.DropColumn(
                name: "fact_head",
                table: "checkpoint_head");

            migrationBuilder.DropColumn(
                name: "facts",
                table: "checkpoint_head");

            migrationBuilder.DropColumn(
                name: "facts",
                table: "checkpoint");

            migrationBuilder.DropColumn(
                name: "fact_head",
                table: "chain");

            migrationBuilder.DropColumn(
                name: "facts",
                table: "chain");

            migrationBuilder.RenameColumn(
                name: "recorded_at",
                table: "policy",
                newName: "effective_from");

            migrationBuilder.AddColumn<long>(
                name: "adopted_at",
                table: "policy",
                type: "INTEGER",
                nullable: false,
                defaultValue: 0L);

            migrationBuilder.AddPrimaryKey(
                name: "PK_checkpoint_head",
                table: "checkpoint_head",
                columns: new[] { "chain_id", "length" });
        }
    }
}
