using System.Collections.Immutable;

namespace Titration.Protocol.Courses;

/// <summary>Windows over what is kept in time order.</summary>
internal static class InOrder
{
    /// <summary>The first index at or after which all items are reached, where none before it is; the length where no item is.</summary>
    public static int FirstIndex<T>(this ImmutableArray<T> items, Func<T, bool> reached)
    {
        int first = 0;
        int end = items.Length;
        while (first < end)
        {
            int middle = first + ((end - first) / 2);
            if (reached(items[middle]))
            {
                end = middle;
            }
            else
            {
                first = middle + 1;
            }
        }

        return first;
    }
}
