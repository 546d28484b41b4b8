using Microsoft.EntityFrameworkCore.Migrations;

#nullable disable

namespace Titration.Storage.Migrations.Postgres
{
    /// <inheritdoc />
    public partial class Compression : Migration
    {
        /// <inheritdoc />
        protected override void Up(MigrationBuilder migrationBuilder)
        {
            // Evaluations are long enough to be compressed, and a message writes its own twice: lz4 takes 5 % more room and far less time. Rows that are there keep theirs.
            // A server built without it goes on as before.
            migrationBuilder.Sql(
                """
                DO $$
                BEGIN
                    ALTER TABLE course ALTER COLUMN evaluation SET COMPRESSION lz4;
                    ALTER TABLE decision_content ALTER COLUMN content SET COMPRESSION lz4;
                EXCEPTION WHEN feature_not_supported THEN
                    RAISE NOTICE 'This server was built without lz4: evaluations are compressed as before.';
                END
                $$
                """);
        }

        /// <inheritdoc />
        protected override void Down(MigrationBuilder migrationBuilder)
        {
            migrationBuilder.Sql(
                """
                ALTER TABLE course ALTER COLUMN evaluation SET COMPRESSION default;
                ALTER TABLE decision_content ALTER COLUMN content SET COMPRESSION default;
                """);
        }
    }
}
